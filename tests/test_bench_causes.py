"""The bench that counts which causes are told apart: what it counts, and that it drives the core as a cell does."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

import feedback
from feedback.simulate.faults import FAULT_AT, FAULTS, single_fault
from feedback.simulate.writer import write_cell
from tests.bench.causes import Case, Result, doubles, is_right, is_wrong, singles, table, totals
from tests.bench.causes_drive import Course, Said, WarmMachine, is_harmful, most_pressing

NOW = datetime(2026, 6, 1, 6, 0, tzinfo=UTC)
SAID = Said(
    register="tool 5 radius",
    answer="correct",
    cause="wear",
    change_um=-6.0,
    error_um=6.0,
    sd_um=0.8,
    true_um=5.0,
)


@pytest.fixture(scope="module")
def warm() -> WarmMachine:
    return WarmMachine(1)


@pytest.mark.parametrize(
    ("fault", "size"), [("part-moved-one-axis", 8.0), ("new-edge-recorded", 8.0), ("probe-step", 10.0)]
)
def test_the_bench_says_what_a_cell_says(tmp_path: Path, warm: WarmMachine, fault: str, size: float) -> None:
    """Answers and causes after a fault are those of a cell with ledger, desk and log, until a register is locked."""
    parts = 5
    cell = write_cell(tmp_path / "cell", single_fault(fault, size), parts=0, seed=1)
    (machine,) = cell.machines.values()
    with feedback.open_cell(tmp_path / "cell") as opened:
        for number in range(FAULT_AT + parts):
            text = machine.log_text(machine.cut())
            document = opened.feed("M1", text, now=NOW + timedelta(minutes=number))
            if number < FAULT_AT:
                continue
            (answer,) = document["machines"]
            said = warm.course(single_fault(fault, size), parts).said[number - FAULT_AT]
            free = [entry for entry in answer["decisions"] if "locked" not in entry]
            assert len(free) >= 4
            told = {entry["register"]: (entry["answer"], entry["cause"]) for entry in free}
            ours = {one.register: (one.answer, one.cause) for one in said}
            assert {name: ours[name] for name in told} == told


def test_good_parts_name_nothing(warm: WarmMachine) -> None:
    """Ten more good parts give no cause, no proposal, and no true error."""
    course = warm.course(single_fault("none"))
    assert course.named(10) == "none"
    assert not course.is_proposed(10)
    assert {one.true_um for said in course.said for one in said} == {0.0}


def test_a_wrong_probe_is_named_by_the_lock(warm: WarmMachine) -> None:
    """The third part after all sizes have moved alike finds both cutters and the part zero locked, by the probe."""
    course = warm.course(single_fault("probe-step", 10.0))
    said = {one.register: one for one in course.said[2]}
    locked = ("tool 5 radius", "tool 6 radius", "work 54 X", "work 54 Y")
    assert {said[name].cause for name in locked} == {"probe"}
    assert course.named(3) == "probe"
    assert not course.is_proposed(10)


def test_the_truth_of_a_turned_part_is_where_its_zero_went(warm: WarmMachine) -> None:
    """A turn about X 70 mm, Y 70 mm leaves no error in X, touched evenly about it, and in Y what lies 10 mm off it."""
    said = warm.course(single_fault("part-moved-rotation", 10.0), 1).said[0]
    truth = {one.register: one.true_um for one in said}
    turned_um_per_mm = 10.0 * 1.2 / 70.0
    assert truth["work 54 X"] == pytest.approx(0.0, abs=1e-9)
    assert truth["work 54 Y"] == pytest.approx(-10.0 * turned_um_per_mm)
    assert truth["tool 5 radius"] == 0.0


def test_harm_is_a_worse_error_outside_the_interval() -> None:
    """A step the right way, or a wrong one that the stated spread allows for, is no harm; nor is no step at all."""
    assert not is_harmful(SAID)
    assert is_harmful(replace(SAID, true_um=0.0))
    assert is_harmful(replace(SAID, true_um=-3.0))
    assert not is_harmful(replace(SAID, true_um=0.0, sd_um=3.0))
    assert not is_harmful(replace(SAID, true_um=0.0, change_um=0.0))


def test_the_most_pressing_cause_speaks_for_the_machine() -> None:
    """A stop before a hold, a hold before a leave; a hold without a cause is an unknown one; the last name counts."""
    leave = replace(SAID, answer="leave", cause="wear")
    held = replace(SAID, answer="hold", cause="none")
    assert most_pressing([leave, replace(SAID, answer="stop", cause="tool-broken")]) == "tool-broken"
    assert most_pressing([leave, held]) == "unknown"
    assert most_pressing([replace(leave, cause="none")]) == "none"
    assert Course(((replace(leave, cause="outlier"),), (leave,), (replace(leave, cause="none"),))).named(3) == "wear"


def test_silence_is_not_a_wrong_name() -> None:
    """To say nothing, or that the cause is not known, names nothing wrongly."""
    case = Case(1, (("probe-step", 4.0),))
    assert is_right("probe", case)
    assert is_wrong("new-edge", case)
    assert not is_wrong("unknown", case)
    assert not is_wrong("none", case)
    assert is_wrong("wear", Case(1, (("none", 0.0),)))


def test_cases_cover_every_fault_and_the_table_every_case() -> None:
    """Each fault at each size, and pairs of different causes only; every one has its row and counts for the goals."""
    cases = list(singles(1, seed=1))
    assert {name for case in cases for name, _ in case.faults} == set(FAULTS)
    assert all(len(case.causes) == 2 for case in doubles(20, seed=1, seeds=3))
    found = [Result(case, soon="none", late="none", grown="probe", harmful=(), is_proposed=False) for case in cases]
    assert len(list(table(found, "soon"))) == len(cases) + 1
    probes = 100 * 2 / 11  # of 11 faults that count at 4 sigma two are the probe's
    assert next(totals(found)).split(":")[1].split()[0] == f"{probes:.1f}"
