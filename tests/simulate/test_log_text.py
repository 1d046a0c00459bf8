"""The text the simulated controls print, read by the product's own reader: what comes back is what was printed."""

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from feedback.configuration.facts import Configuration
from feedback.configuration.loading import load
from feedback.reading.layouts import load_layouts
from feedback.reading.reader import LogReader
from feedback.records import ArtefactReading, Miss, NewTool, Record, RegisterReadback, Unreadable
from feedback.resolve import Measurement, Text, resolve
from feedback.simulate.cell import Cell
from feedback.simulate.happenings import HandChange, Missed, NewEdge, ProbeStep
from feedback.simulate.reference import REFERENCE_PLAN, SIGMA_UM
from feedback.simulate.scenario import Scenario, Setup
from feedback.simulate.warming import PartWarmth
from feedback.simulate.wear import Cutter, WearCurve
from feedback.simulate.writer import write_cell
from feedback.units import to_mm

WEARING = (Cutter(number=5, radius=WearCurve(per_part_um=0.4), walk_um=0.1),)
SETUPS = {
    "pairs": Setup(plans=(REFERENCE_PLAN,), cutters=WEARING),
    "columns": Setup(plans=(REFERENCE_PLAN,), cutters=WEARING, layout="columns"),
    "inch, diameter": Setup(plans=(REFERENCE_PLAN,), cutters=WEARING, unit="inch", tool_radius="diameter"),
}


def scenario(*setups: Setup) -> Scenario:
    return Scenario(name="-", words="-", machines=setups)


def read_back(folder: Path, machine: str = "M1") -> list[Record]:
    """Every record of the machine's logs, with readings resolved to planned features."""
    cell = load(folder)
    return [record for path in sorted((folder / "logs" / machine).iterdir()) for record in _read(cell, machine, path)]


def _read(cell: Configuration, machine: str, path: Path) -> Iterator[Record]:
    facts = cell.machines[machine]
    reader = LogReader(load_layouts(None)[facts.layout], facts)
    text = path.read_bytes()
    return iter(resolve(reader.push(text) + reader.close(), cell.plans, facts, Text(1, text)))


@pytest.mark.parametrize("setup", SETUPS.values(), ids=SETUPS)
def test_reader_gives_back_what_was_printed(setup: Setup, tmp_path: Path) -> None:
    """Every printed reading comes back from the text to its last digit, under its part and feature."""
    write_cell(tmp_path, scenario(setup), parts=40, seed=11)
    records = read_back(tmp_path)

    machine = Cell(scenario(setup), seed=11).machine()
    wanted = {
        (str(setup.first_part + part.index), id): to_mm(value, setup.unit)
        for part in machine.cut_parts(40)
        for id, value in machine.printed(part).items()
    }
    found = {(one.part, one.feature.id): one.actual for one in records if isinstance(one, Measurement)}
    assert found == wanted
    assert len(found) == 40 * len(REFERENCE_PLAN.cuts)
    assert not [record for record in records if isinstance(record, Unreadable)]


@pytest.mark.parametrize("setup", SETUPS.values(), ids=SETUPS)
def test_printed_is_the_truth_to_the_last_digit(setup: Setup) -> None:
    """A printed reading is the true one rounded to the control's last digit."""
    machine = Cell(scenario(setup), seed=3).machine()
    digit_um = 0.1 if setup.unit == "mm" else 0.254
    for part in machine.cut_parts(10):
        for column, (plan, cut) in enumerate(setup.features):
            printed_um = float(to_mm(machine.printed(part)[cut.id], setup.unit) * 1000)
            assert printed_um - plan.nominal_um(cut) == pytest.approx(part.read_um[column], abs=digit_um / 2 + 1e-6)


@pytest.mark.parametrize("setup", [SETUPS["pairs"], SETUPS["inch, diameter"]], ids=["mm", "inch, diameter"])
def test_registers_come_back(setup: Setup, tmp_path: Path) -> None:
    """The register page printed with each part is read back as what the registers hold, radius-valued."""
    changed = replace(setup, happenings=(HandChange(part=2, register="tool 5 radius", um=-12.7),))
    write_cell(tmp_path, scenario(changed), parts=4, seed=1)
    held = [
        one.value
        for one in read_back(tmp_path)
        if isinstance(one, RegisterReadback) and str(one.register) == "tool 5 radius"
    ]
    step = Decimal("-0.013") if setup.unit == "mm" else Decimal("-0.0127")  # ten half-steps of 0.0001 in
    assert held == [0, 0, step, step]


def test_scatter_is_found_again(tmp_path: Path) -> None:
    """Scatter stated as 1.2 um is found in 600 printed parts, feature by feature, within four standard errors."""
    write_cell(tmp_path, scenario(Setup(plans=(REFERENCE_PLAN,))), parts=600, seed=5)
    by_feature: dict[str, list[float]] = {}
    for one in read_back(tmp_path):
        if isinstance(one, Measurement):
            by_feature.setdefault(one.feature.id, []).append(float(one.deviation) * 1000)
    assert set(by_feature) == {cut.id for cut in REFERENCE_PLAN.cuts}
    for id, deviations in by_feature.items():
        assert np.std(deviations, ddof=1) == pytest.approx(SIGMA_UM, abs=4 * SIGMA_UM / np.sqrt(1200)), id
        assert np.mean(deviations) == pytest.approx(REFERENCE_PLAN.cut(id).offset_um, abs=4 * SIGMA_UM / np.sqrt(600))


def test_control_prints_what_happened_between_parts(tmp_path: Path) -> None:
    """A recorded new edge, a miss, a ring check that shows the probe's error, and a temperature are printed."""
    setup = Setup(
        plans=(REFERENCE_PLAN,),
        happenings=(
            NewEdge(part=1, tool=6),
            NewEdge(part=2, tool=5, is_recorded=False),
            Missed(part=2, feature="12"),
            ProbeStep(part=2, ball_um=10.0),
        ),
        ring_every=2,
        warmth=PartWarmth(part_c=23.4),
    )
    write_cell(tmp_path, scenario(setup), parts=4, seed=1)
    records = read_back(tmp_path)

    assert [one.tool for one in records if isinstance(one, NewTool)] == [6]
    assert [(one.part, one.feature) for one in records if isinstance(one, Miss)] == [("103", "12")]
    first, second = (float(one.actual) for one in records if isinstance(one, ArtefactReading))
    assert second - first == pytest.approx(0.020, abs=0.003)  # both sides of a ball 10 um too big
    assert {one.temperature_c for one in records if isinstance(one, Measurement)} == {Decimal("23.4")}


def test_miss_in_columns(tmp_path: Path) -> None:
    """In rows a miss stands where the size would."""
    setup = Setup(plans=(REFERENCE_PLAN,), happenings=(Missed(part=0, feature="12"),), layout="columns")
    write_cell(tmp_path, scenario(setup), parts=2, seed=1)
    assert [one.feature for one in read_back(tmp_path) if isinstance(one, Miss)] == ["12"]


def test_same_seed_same_bytes(tmp_path: Path) -> None:
    """The same scenario and seed write the same folder to the last byte; another seed writes other logs."""
    cell = scenario(SETUPS["pairs"], replace(SETUPS["columns"], name="M2"))
    for name, seed in (("a", 8), ("b", 8), ("c", 9)):
        write_cell(tmp_path / name, cell, parts=200, seed=seed)
    a, b, c = ({p.relative_to(tmp_path / n): p.read_bytes() for p in (tmp_path / n).rglob("*.t*")} for n in "abc")
    assert a == b
    assert [path for path in a if a[path] != c[path]] == [path for path in a if path.parts[0] == "logs"]
    assert len({path.name for path in a if path.parts[0] == "logs"}) == 2  # 200 parts of 8 min pass midnight


def test_writer_never_overwrites(tmp_path: Path) -> None:
    """A folder that holds a cell already is refused."""
    write_cell(tmp_path, scenario(SETUPS["pairs"]), parts=1, seed=1)
    with pytest.raises(FileExistsError):
        write_cell(tmp_path, scenario(SETUPS["pairs"]), parts=1, seed=1)
