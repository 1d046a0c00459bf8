"""Registers, entries and events of the simulated machine: who changes what, and from which part on."""

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from feedback.simulate.cell import Cell
from feedback.simulate.happenings import (
    Chip,
    HandChange,
    Missed,
    NewEdge,
    PartMoved,
    Reprogrammed,
    ToolBroken,
    WrongOffset,
    WrongUnit,
)
from feedback.simulate.machine import PARTS_AT_ONCE, SimulatedMachine
from feedback.simulate.reference import REFERENCE_PLAN
from feedback.simulate.scenario import Operator, Scenario, Setup
from feedback.simulate.scenarios import SITUATIONS
from feedback.simulate.wear import Cutter, WearCurve
from tests.simulate.bench import ALL_KINDS, moved, quiet, readings

RADIUS = "tool 5 radius"


def test_entry_waits_for_the_parts_under_way() -> None:
    """With a lag of two, a value keyed in now is first cut with the third part."""
    machine = SimulatedMachine(quiet(lag=2), seed=1)
    machine.enter(RADIUS, Decimal("-0.004"))
    assert [part.read_um[0] for part in machine.cut_parts(4)] == pytest.approx([0, 0, 8.0, 8.0])


@pytest.mark.parametrize("unit", ["mm", "inch"])
@pytest.mark.parametrize(("stores", "shown"), [("radius", "-0.004"), ("diameter", "-0.008")])
def test_register_shows_what_the_control_stores(unit: str, stores: str, shown: str) -> None:
    """4 um less radius is -0.004 mm, or -0.008 where diameters are stored; four steps of 0.0001 in likewise."""
    setup = quiet(unit=unit, tool_radius=stores)
    machine = SimulatedMachine(setup, seed=1)
    machine.enter_mm(RADIUS, -0.004 if unit == "mm" else -0.0004 * 25.4)

    part = machine.cut()
    assert machine.registers[RADIUS] == Decimal(shown) / (1 if unit == "mm" else 10)
    assert part.read_um[0] == pytest.approx(8.0 if unit == "mm" else 8.0 * 2.54)


def test_page_refuses_what_it_cannot_hold() -> None:
    """A tool page in steps of 0.001 mm does not take 0.0005 mm, and there is no page for a tool nobody uses."""
    machine = SimulatedMachine(quiet(), seed=1)
    with pytest.raises(ValueError, match=r"steps of 0\.001"):
        machine.enter(RADIUS, Decimal("0.0005"))
    with pytest.raises(KeyError, match="has no tool 99 radius"):
        machine.enter("tool 99 radius", Decimal(0))


def test_wear_and_its_correction_cancel() -> None:
    """Entering minus the true error of the radius brings the bore back to where it was."""
    machine = SimulatedMachine(quiet(cutters=(Cutter(number=5, radius=WearCurve(per_part_um=1.0)),)), seed=1)
    worn = machine.cut_parts(11)[-1]
    assert machine.error_um(worn, RADIUS) == pytest.approx(10.0)

    machine.enter_mm(RADIUS, -0.011)  # the next part will have lost one more
    assert machine.cut().read_um[0] == pytest.approx(0)


def test_error_of_the_part_zero() -> None:
    """Parts 5 um further along X leave the zero 5 um short: moved by +5 it is right again."""
    machine = SimulatedMachine(quiet(PartMoved(part=0, x_um=5.0)), seed=1)
    assert machine.error_um(machine.cut(), "work 54 X") == pytest.approx(-5.0)
    machine.enter("work 54 X", Decimal("102.350"))
    assert np.abs(machine.cut().read_um).max() == pytest.approx(0)


def test_recorded_edge_zeroes_the_wear_page() -> None:
    """Whoever records a new edge sets its wear registers to zero; after a forgotten one the old wear stays in them."""
    for is_recorded, held in ((True, 0.0), (False, -6.0)):
        machine = SimulatedMachine(quiet(NewEdge(part=1, tool=5, is_recorded=is_recorded)), seed=1)
        machine.enter(RADIUS, Decimal("-0.006"))
        assert machine.cut().held_um[0] == -6.0
        assert machine.cut().held_um[0] == held


def test_broken_tool_stays_broken_until_it_is_changed() -> None:
    """A broken cutter leaves everything huge until the new edge."""
    setup = quiet(ToolBroken(part=1, tool=5, length_um=900.0), NewEdge(part=3, tool=5))
    assert readings(setup, parts=4)["floor"] == pytest.approx([0, 900, 900, 0])


def test_hand_change_moves_the_machine() -> None:
    """A change that nobody proposed acts like any other and is among the events."""
    setup = quiet(HandChange(part=1, register=RADIUS, um=-3.0), WrongOffset(part=2, register="work 54 Z", um=1000.0))
    machine = SimulatedMachine(setup, seed=1)
    parts = machine.cut_parts(3)
    assert [part.read_um[0] for part in parts] == pytest.approx([0, 6.0, 6.0])
    assert [type(one).__name__ for one in machine.events] == ["HandChange", "WrongOffset"]
    assert machine.registers["work 54 Z"] == Decimal("-209.004")


def test_chip_and_edited_path() -> None:
    """A chip spoils one reading; an edited path moves one feature for good."""
    read = readings(quiet(Chip(part=1, feature="bore", um=-60.0), Reprogrammed(part=1, feature="web", um=7.0)), parts=3)
    assert read["bore"] == pytest.approx([0, -60, 0])
    assert read["web"] == pytest.approx([0, 7, 7])


def test_chip_does_not_change_the_part() -> None:
    """What a chip does is in the reading, not in the feature."""
    part = SimulatedMachine(quiet(Chip(part=0, feature="bore", um=-60.0)), seed=1).cut()
    assert part.made_um[0] == 0.0


def test_miss_gives_no_reading_and_shifts_no_scatter() -> None:
    """A missed probe leaves a hole; every other reading of the run is as it would have been."""
    plain, holed = (
        SimulatedMachine(Setup(plans=(REFERENCE_PLAN,), happenings=happenings), seed=3).cut_parts(3)
        for happenings in ((), (Missed(part=1, feature="12"),))
    )
    assert np.isnan(holed[1].read_um[1])
    for one, other in zip(plain, holed, strict=True):
        seen = ~np.isnan(other.read_um)
        assert one.read_um[seen] == pytest.approx(other.read_um[seen], abs=0)


def test_random_chips_look_like_more_metal() -> None:
    """Chips come as often as stated, make bores small and bosses big, and keep to their size."""
    read = readings(quiet(chips=0.05, chip_um=(30.0, 100.0)), parts=2000)
    assert np.count_nonzero(read["bore"]) == pytest.approx(100, abs=40)  # four standard deviations
    wild = read["bore"][read["bore"] != 0]
    assert wild.min() >= -100
    assert wild.max() <= -30
    assert read["boss"].min() == 0
    assert read["boss"].max() > 30


def test_random_misses() -> None:
    """Readings fail as often as stated."""
    read = readings(quiet(misses=0.05), parts=2000)
    assert np.count_nonzero(np.isnan(read["bore"])) == pytest.approx(100, abs=40)


def test_wrong_unit_is_off_by_a_factor() -> None:
    """A 25 mm bore printed in inches without a word is 24 mm off."""
    assert moved(WrongUnit(part=0))["bore"] == pytest.approx((25 / 25.4 - 25) * 1000)


def test_rare_measurement_probes_every_fifth_part() -> None:
    """Where only each fifth part is probed, the four between give no reading."""
    machine = Cell(SITUATIONS["rare-measurement"], seed=1).machine()
    probed = [not np.isnan(part.read_um).all() for part in machine.cut_parts(11)]
    assert probed == [index % 5 == 0 for index in range(11)]


def test_plans_take_turns() -> None:
    """A machine cuts a batch of one plan, then one of the next; only the features of that plan are read."""
    machine = SimulatedMachine(Setup(plans=(ALL_KINDS, REFERENCE_PLAN), batch=2), seed=1)
    parts = machine.cut_parts(5)
    assert [part.plan.part for part in parts] == ["9000", "9000", "7301", "7301", "9000"]
    assert np.isnan(parts[0].read_um[len(ALL_KINDS.cuts) :]).all()
    assert np.isnan(parts[2].read_um[: len(ALL_KINDS.cuts)]).all()


def test_later_happenings_leave_the_past_alone() -> None:
    """What is added while the machine runs shows from its part on, and nothing before or beside it changes."""
    one, other = (SimulatedMachine(Setup(plans=(REFERENCE_PLAN,)), seed=5) for _ in range(2))
    one.cut_parts(4)
    other.cut_parts(4)
    one.happen(PartMoved(part=5, x_um=9.0))
    moved_by = [a.read_um - b.read_um for a, b in zip(one.cut_parts(3), other.cut_parts(3), strict=True)]
    assert np.abs(moved_by[0]).max() == 0
    assert np.unique(np.round(moved_by[2], 9)).tolist() == [-9.0, 0.0, 9.0]
    with pytest.raises(ValueError, match="part 2 has been cut already"):
        one.happen(PartMoved(part=2))


def test_long_runs_are_one_run() -> None:
    """A machine that runs on past what it looked ahead cuts the parts that a longer look would have shown."""
    scenario = SITUATIONS["careless"]
    long, short = (SimulatedMachine(scenario.setup(), seed=2) for _ in range(2))
    long._look_ahead(3 * PARTS_AT_ONCE)
    for one, other in zip(long.cut_parts(2500), short.cut_parts(2500), strict=True):
        assert np.array_equal(one.read_um, other.read_um, equal_nan=True)


def test_shares_add_up() -> None:
    """What each cause contributes to a reading adds up to it, scatter and corrections apart."""
    setup = quiet(
        NewEdge(part=1, tool=5, radius_um=4.0), PartMoved(part=2, z_um=3.0),
        cutters=(Cutter(number=5, radius=WearCurve(per_part_um=1.0), length=WearCurve(per_part_um=0.5)),),
    )  # fmt: skip
    machine = SimulatedMachine(setup, seed=1)
    part = machine.cut_parts(5)[-1]
    shares = [machine.share_um(part, cause) for cause in ("wear", "new-edge", "part-moved", "warm-up")]
    assert shares[0][0] == pytest.approx(-6.0)  # three parts of wear on the new edge, twice
    assert shares[1][0] == pytest.approx(8.0)
    assert sum(shares) == pytest.approx(part.read_um)


def test_operator_takes_his_time() -> None:
    """Accepted after three parts with two more under way, a proposal is first cut with the sixth."""
    machine = SimulatedMachine(quiet(lag=2), seed=1, operator=Operator(accepts_after=3))
    deed = machine.propose(RADIUS, -0.004)
    assert (deed.kind, deed.due) == ("entered", 5)
    assert [part.read_um[0] for part in machine.cut_parts(6)] == pytest.approx([0, 0, 0, 0, 0, 8.0])


def test_operator_errs_as_often_as_stated() -> None:
    """Of 3000 proposals one in five is forgotten, one in ten goes into the wrong register, one in ten is mistyped."""
    operator = Operator(forgets=0.2, wrong_register=0.1, mistypes=0.1)
    machine = SimulatedMachine(quiet(), seed=1, operator=operator)
    deeds = [machine.propose(RADIUS, -0.012) for _ in range(3000)]
    counts = {kind: sum(deed.kind == kind for deed in deeds) for kind in ("forgotten", "wrong-register", "typo")}
    assert counts == pytest.approx({"forgotten": 600, "wrong-register": 300, "typo": 300}, abs=90)

    for deed in deeds:
        asked_for = (deed.register, deed.value_mm) == (RADIUS, -0.012)
        assert asked_for == (deed.kind == "entered")
        assert deed.kind != "wrong-register" or (deed.register or "").startswith("tool")


@pytest.mark.parametrize("asked_mm", [0.0, -0.011, 0.004, -0.012, 0.02])
def test_typo_is_never_what_was_asked(asked_mm: float) -> None:
    """A mistyped value is a wrong sign, ten times too much, two digits changed over, or one step beside."""
    machine = SimulatedMachine(quiet(), seed=1, operator=Operator(mistypes=1.0))
    typed = {machine.propose(RADIUS, asked_mm).value_mm for _ in range(50)}
    assert len(typed) >= 1
    assert all(value is not None and abs(value - asked_mm) > 0.0005 for value in typed)
    if asked_mm == -0.012:
        assert typed == {0.012, -0.12, -0.021}


def test_forgotten_proposal_changes_nothing() -> None:
    """A forgotten proposal leaves the register as it was; what was done is known, whatever was asked."""
    machine = SimulatedMachine(quiet(), seed=1, operator=Operator(forgets=1.0))
    assert machine.propose(RADIUS, -0.004).kind == "forgotten"
    assert machine.cut().read_um[0] == 0.0
    assert machine.events == ()


def test_entry_is_an_event_of_its_first_part() -> None:
    """A value keyed in is told with the part it first acts on, as a radius, however the control stores it."""
    machine = SimulatedMachine(quiet(lag=1, tool_radius="diameter"), seed=1)
    machine.enter_mm(RADIUS, -0.004)
    first, second = machine.cut_parts(2)
    assert first.happened == ()
    assert [(one.register, one.value_mm) for one in second.happened] == [(RADIUS, -0.004)]  # type: ignore[attr-defined]


def test_machines_of_a_cell_differ() -> None:
    """Two machines of one cell have scatter of their own, and the same cell comes again from the same seed."""
    scenario = Scenario(
        name="-", words="-", machines=tuple(Setup(name=name, plans=(REFERENCE_PLAN,)) for name in ("M1", "M2"))
    )
    first, again = Cell(scenario, seed=4).cut(), Cell(scenario, seed=4).cut()
    assert not np.array_equal(first["M1"].read_um, first["M2"].read_um)
    assert np.array_equal(first["M2"].read_um, again["M2"].read_um)


def test_cell_tells_what_happened_where() -> None:
    """A cell prints the parts of each machine and keeps their events apart."""
    scenario = SITUATIONS["two-machines"].with_happenings([PartMoved(part=1, x_um=5.0)], machine="M2")
    cell = Cell(scenario, seed=1)
    cell.cut()
    parts = cell.cut()
    assert cell.log_text(parts["M2"]).startswith("PART 102 PLAN 7101")
    assert cell.events == {"M1": (), "M2": (PartMoved(part=1, x_um=5.0),)}
    assert parts["M2"].happened == cell.events["M2"]


def test_scenario_with_a_slip_is_refused() -> None:
    """A happening to a feature that is not there, or a cutter that cuts nothing, is a slip and is said."""
    with pytest.raises(ValueError, match="knows no such feature"):
        quiet(Chip(part=0, feature="boar", um=1.0))
    with pytest.raises(ValueError, match="no feature is cut by tool 77"):
        quiet(cutters=(Cutter(number=77),))
    with pytest.raises(KeyError, match="it has M1, M2"):
        SITUATIONS["two-machines"].setup("M3")
    with pytest.raises(KeyError, match="has no feature 'boar'; it has bore"):
        ALL_KINDS.cut("boar")
    machine = SimulatedMachine(quiet(), seed=1)
    with pytest.raises(ValueError, match="knows no such feature"):
        machine.happen(Chip(part=0, feature="boar", um=1.0))


def test_half_a_plan_is_refused() -> None:
    """A wall without an axis, or a bore that no tool cuts, is said by its id."""
    for slip, said in (
        (replace(ALL_KINDS.cut("wall+"), axis=None), "feature wall\\+ is a wall without an axis"),
        (replace(ALL_KINDS.cut("bore"), tool=None), "feature bore is a bore without a tool"),
    ):
        with pytest.raises(ValueError, match=said):
            SimulatedMachine(Setup(plans=(replace(ALL_KINDS, cuts=(slip,)),)), seed=1)
