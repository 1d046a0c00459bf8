"""The uncertainty of a reading from what the configuration states, and the guard bands that follow."""

from decimal import Decimal
from math import sqrt

import pytest

from feedback.configuration.facts import Configuration, Feature
from feedback.configuration.groups import groups
from feedback.uncertainty import reading_budget
from tests.configuration.cells import CELL, cell

REPEATS = 'tool_radius = "radius"\nrepeatability = "0.0008 mm"\n'
TRACED = CELL.replace('tool_radius = "radius"\n', REPEATS)
UNTRACED = "\n".join(TRACED.split("[artefact.RING1]")[:1]) + "[person" + TRACED.split("[person", 1)[1]


def _bore(configuration: Configuration) -> Feature:
    return configuration.plans["4101"].features["12"]


def test_the_budget_of_a_bore_counts_ring_repeats_and_warmth() -> None:
    """25 mm of aluminium: ring 0.8 um (k = 2), repeats 0.8 um, a kelvin and a tenth of the coefficient at 5 K."""
    configuration = cell(cell=TRACED)
    budget = reading_budget(configuration, configuration.machines["M1"], _bore(configuration))

    by_name = {row["quantity"]: row["contribution"] for row in budget.rows()}
    assert by_name == pytest.approx(
        {"repeatability": 0.8, "calibration": 0.4, "temperature": 0.59 / sqrt(3), "expansion": 0.295 / sqrt(3)}
    )


def test_a_known_uncertainty_guards_the_limits() -> None:
    """The guard band is 1.645 standard uncertainties on a tolerance that is wide enough."""
    configuration = cell(cell=TRACED)
    (group,) = (g for g in groups(configuration, "M1") if _bore(configuration) in g.features)

    guard = group.guard(_bore(configuration))
    budget = reading_budget(configuration, configuration.machines["M1"], _bore(configuration))
    assert guard.u_um == budget.combined
    assert guard.band_um == pytest.approx(1.645 * guard.u_um, rel=1e-3)


@pytest.mark.parametrize("text", [CELL, UNTRACED], ids=["no repeatability", "no artefact"])
def test_half_a_budget_guards_nothing(text: str) -> None:
    """Without repeats or without a certified artefact the uncertainty is not known, and the bare limits hold."""
    configuration = cell(cell=text)

    guards = [group.guard(feature) for group in groups(configuration, "M1") for feature in group.features]
    assert {(guard.u_um, guard.band_um) for guard in guards} == {(0.0, 0.0)}


def test_a_tolerance_too_narrow_to_prove_anything_keeps_its_bare_limits() -> None:
    """Otherwise every part would stop the run, and nobody would look any more."""
    configuration = cell(cell=TRACED.replace('"0.0008 mm"', '"0.0080 mm"', 1))
    (group,) = (g for g in groups(configuration, "M1") if _bore(configuration) in g.features)

    guard = group.guard(_bore(configuration))
    assert guard.u_um > 8
    assert guard.band_um == 0.0


def test_a_held_temperature_leaves_less_doubt_about_the_coefficient() -> None:
    """A shop that holds 21 degC is one kelvin from 20, not five."""
    held = TRACED.replace(REPEATS, f'{REPEATS}temperature = "21 degC"\n')
    configuration = cell(cell=held)
    budget = reading_budget(configuration, configuration.machines["M1"], _bore(configuration))

    assert configuration.machines["M1"].temperature == Decimal(21)
    assert {row["quantity"]: row["contribution"] for row in budget.rows()}["expansion"] == pytest.approx(
        0.059 / sqrt(3)
    )
