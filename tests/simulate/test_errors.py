"""Readings of many uncorrected runs in arrays: the same parts that the machine cuts, and open to any correction."""

import numpy as np
import pytest

from feedback.simulate.errors import simulate_errors
from feedback.simulate.faults import FAULTS
from feedback.simulate.happenings import HandChange, NewEdge, WrongUnit
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.scenario import Scenario
from feedback.simulate.scenarios import SITUATIONS
from tests.simulate.bench import quiet

EVERYTHING = {**SITUATIONS, **{name: fault.scenario() for name, fault in FAULTS.items()}}


@pytest.mark.parametrize("scenario", EVERYTHING.values(), ids=EVERYTHING)
def test_arrays_are_the_parts_of_the_machine(scenario: Scenario) -> None:
    """Nobody correcting, the arrays hold exactly what the machine cuts and reads part by part."""
    runs = simulate_errors(scenario, 120, [3, 4])
    for run, seed in enumerate((3, 4)):
        parts = SimulatedMachine(scenario.setup(), seed).cut_parts(120)
        np.testing.assert_allclose(runs.read_um[run], [part.read_um for part in parts], atol=1e-9)
        np.testing.assert_allclose(runs.made_um[run], [part.made_um for part in parts], atol=1e-9)


def test_corrections_superpose() -> None:
    """Entries added to the arrays by hand give what the machine reads when they are keyed in, zeroings included."""
    scenario = SITUATIONS["fast-wear"]
    machine = SimulatedMachine(scenario.setup(), seed=6)
    parts = []
    for index in range(200):
        if index % 25 == 10:
            machine.enter_mm("tool 5 radius", -0.001 * (index % 60))
        parts.append(machine.cut())

    runs = simulate_errors(scenario, 200, [6])
    held = np.array([part.held_um for part in parts])
    assert np.abs(held).max() > 20
    corrected = runs.read_um[0] + (held - runs.untouched_um[0]) @ runs.moves
    np.testing.assert_allclose(corrected, [part.read_um for part in parts], atol=1e-9)

    column = runs.registers.index("tool 5 radius")
    changed = np.flatnonzero(runs.is_zeroed[0, :, column])
    assert changed.tolist() == [60, 120, 180]
    assert np.all(held[changed, column] == 0)


def test_hand_changes_are_in_the_arrays() -> None:
    """What somebody changes without a proposal is part of what befalls the machine; so is a wrong unit."""
    setup = quiet(HandChange(part=2, register="tool 5 radius", um=4.0), WrongUnit(part=3))
    runs = simulate_errors(Scenario(name="-", words="-", machines=(setup,)), 5, [1])
    bore = runs.read_um[0, :, 0]
    assert bore[:3] == pytest.approx([0, 0, -8])
    assert bore[3] == pytest.approx((25_000 - 8) / 25.4 - 25_000)
    assert bore[4] == pytest.approx(-8)


def test_recorded_edge_ends_a_hand_change() -> None:
    """A hand change of a wear register ends, in the arrays too, where a setter sets the page to zero."""
    happenings = (HandChange(part=1, register="tool 5 radius", um=4.0), NewEdge(part=3, tool=5))
    runs = simulate_errors(Scenario(name="-", words="-", machines=(quiet(*happenings),)), 5, [1])
    assert runs.read_um[0, :, 0] == pytest.approx([0, -8, -8, 0, 0])


def test_seeds_differ() -> None:
    """Every seed is a run of its own, and stands for the same run whatever its neighbours."""
    both = simulate_errors(SITUATIONS["steady"], 50, [1, 2])
    alone = simulate_errors(SITUATIONS["steady"], 50, [2])
    assert not np.array_equal(both.read_um[0], both.read_um[1])
    assert np.array_equal(both.read_um[1], alone.read_um[0])
