"""The library of scenarios: complete cells, faults of the size they state, causes that can be told apart."""

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from feedback.configuration.loading import load
from feedback.simulate.errors import simulate_errors
from feedback.simulate.faults import DRIFT_PARTS, FAULT_AT, FAULTS, single_fault
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.physics import read_matrix
from feedback.simulate.reference import REFERENCE_PLAN
from feedback.simulate.scenario import Scenario, Setup
from feedback.simulate.scenarios import SITUATIONS
from feedback.simulate.writer import write_cell

EVERYTHING = {**SITUATIONS, **{name: fault.scenario() for name, fault in FAULTS.items()}}
SEEDS = range(4)


@pytest.mark.parametrize("scenario", EVERYTHING.values(), ids=EVERYTHING)
def test_every_scenario_is_a_sound_cell(scenario: Scenario, tmp_path: Path) -> None:
    """Each scenario writes a cell folder that the product loads without a fault, with a log for each machine."""
    write_cell(tmp_path, scenario, parts=3, seed=1)
    cell = load(tmp_path)
    assert set(cell.machines) == {setup.name for setup in scenario.machines}
    assert all((tmp_path / "logs" / name).glob("*.txt") for name in cell.machines)
    assert {feature for plan in cell.plans.values() for feature in plan.features} >= {
        cut.id for plan in scenario.setup().plans for cut in plan.cuts
    }


def effect_um(name: str, size: float, until: int) -> np.ndarray:
    """What the fault adds to each reading at part `until`, in multiples of the scatter; the scatter itself cancels."""
    faulty, plain = (simulate_errors(single_fault(kind, size), until + 1, [1]) for kind in (name, "none"))
    sigma_um = single_fault(name).noise_um
    return np.asarray((faulty.read_um - plain.read_um)[0, until] / sigma_um)


@pytest.mark.parametrize("name", [name for name in FAULTS if name != "none"])
def test_fault_has_the_stated_size(name: str) -> None:
    """A fault of size 9 puts nine times the scatter of one reading on the readings it moves most; nothing before."""
    slow = name in ("wear", "wear-length", "probe-drift")
    at = FAULT_AT + (DRIFT_PARTS - 1 if slow else 60 if name == "warm-up" else 0)
    assert np.abs(effect_um(name, 9.0, at)).max() == pytest.approx(9.0, abs=1e-3)
    assert np.abs(effect_um(name, 9.0, FAULT_AT - 1)).max() == pytest.approx(0, abs=1e-9)
    assert np.abs(effect_um(name, 18.0, at)).max() == pytest.approx(18.0, abs=2e-3)


@pytest.mark.parametrize("name", [name for name in FAULTS if FAULTS[name].registers])
def test_named_registers_mend_the_fault(name: str) -> None:
    """Moving the named registers by minus their error, and no others, takes the fault out of every reading."""
    scenario = FAULTS[name].scenario(size=10.0 / 1e-9, sigma_um=1e-9)  # 10 um without scatter
    machine = SimulatedMachine(scenario.setup(), seed=1)
    part = machine.cut_parts(FAULT_AT + 61)[-1]
    offsets = np.array([cut.offset_um for cut in REFERENCE_PLAN.cuts])
    assert np.abs(part.read_um - offsets).max() > 9

    errors = {register: machine.error_um(part, register) for register in scenario.setup().registers}
    moves = read_matrix(scenario.setup(), list(errors))
    assert {register for register, error in errors.items() if abs(error) > 0.01} == set(FAULTS[name].registers)
    assert np.abs(part.read_um - offsets - np.array(list(errors.values())) @ moves).max() < 0.01


def test_reference_plan_tells_causes_apart() -> None:
    """On the reference plan no two causes leave the same signature, and no register mimics the probe or a turn."""
    setup = Setup(plans=(REFERENCE_PLAN,))
    words = [name for name in setup.registers if np.abs(read_matrix(setup, [name])).max() > 0]
    signatures = read_matrix(setup, [*words, "ball", "part 54 turned", "head Y"])
    unit = signatures / np.linalg.norm(signatures, axis=1, keepdims=True)
    alike = [abs(one @ other) for one, other in combinations(unit, 2)]
    # growth in Y and the part zero in Y are the same move: only their course over time tells them apart
    assert sorted(alike)[-1] == pytest.approx(1.0)
    assert sorted(alike)[-2] < 0.9
    assert np.linalg.matrix_rank(signatures) == len(signatures) - 1


def test_reference_plan_is_rich() -> None:
    """Two tools cut inside and outside sizes, two cut floors; datums and machined positions lie in X, Y and Z."""
    cuts = REFERENCE_PLAN.cuts
    inside = {cut.tool for cut in cuts if cut.kind in ("bore", "pocket")}
    outside = {cut.tool for cut in cuts if cut.kind in ("boss", "web")}
    assert len(inside & outside) >= 2
    assert len({cut.tool for cut in cuts if cut.kind == "floor"}) >= 2
    assert {cut.axis for cut in cuts if cut.kind == "datum"} == {"X", "Y", "Z"}
    assert {cut.axis for cut in cuts if cut.kind == "machined"} == {"X", "Y", "Z"}
    assert any(cut.kind == "drilled" for cut in cuts)


def test_stable_machine_only_scatters() -> None:
    """Nothing but scatter: means at nominal, standard deviation as stated."""
    read = simulate_errors(SITUATIONS["stable"], 2000, SEEDS).read_um
    offsets = [cut.offset_um for cut in SITUATIONS["stable"].setup().plans[0].cuts]
    assert read.mean(axis=(0, 1)) == pytest.approx(offsets, abs=4 / np.sqrt(8000))
    assert read.std(axis=(0, 1)) == pytest.approx(1.0, abs=4 / np.sqrt(16_000))


def test_steady_wear_is_steady() -> None:
    """Bores of tool 5 lose twice 0.3 um a part on average over edges."""
    read = simulate_errors(SITUATIONS["steady"], 200, range(40)).read_um[:, :, 0]
    slopes = [np.polyfit(np.arange(200), run, 1)[0] for run in read]
    assert np.mean(slopes) == pytest.approx(-0.6, abs=4 * 0.06 / np.sqrt(40))


def test_break_in_takes_most_at_first() -> None:
    """The first ten parts of an edge cost more radius than thirty in the middle of its life; so do its last thirty."""
    read = simulate_errors(SITUATIONS["break-in"], 220, range(20)).made_um[:, :, 0].mean(axis=0)
    first, steady, last = read[0] - read[10], read[60] - read[90], read[189] - read[219]
    assert first > steady > 0
    assert last > steady


def test_unknown_fault() -> None:
    """Asked for a fault that is not there, the library says which there are."""
    with pytest.raises(KeyError, match="wanted one of none, wear"):
        single_fault("rust")
