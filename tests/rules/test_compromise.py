"""The best step for several features of one register."""

from math import isnan, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from rules.cases import feature
from rules.compromise import UNKNOWN, compromise
from rules.evidence import FeatureOutlook
from tests.rules import strategies


def room(features: list[FeatureOutlook], step_um: float) -> float:
    """The smallest distance of any feature to its limits after a step."""
    return min(f.half_um - abs(f.own_um + f.sensitivity * step_um) for f in features)


@pytest.mark.parametrize(("sensitivity", "step"), [(-2.0, -7.0), (2.0, 7.0), (1.0, 14.0), (-1.0, -14.0)])
def test_one_feature_is_brought_to_its_centre(sensitivity: float, step: float) -> None:
    """A bore 14 um too small wants its cutter's radius 7 um smaller; the room left is half the tolerance."""
    best = compromise([feature(-14.0, sensitivity=sensitivity)])

    assert (best.step_um, best.margin_um, best.rising, best.falling) == (step, 10.5, 0, 0)


def test_two_equal_bores_are_centred_around_their_middle() -> None:
    """With -14 and -12 um the middle goes to centre and each bore is 1 um off it."""
    best = compromise([feature(-14.0), feature(-12.0)])

    assert best.step_um == pytest.approx(-6.5)
    assert best.margin_um == pytest.approx(9.5)
    assert {best.rising, best.falling} == {0, 1}


def test_the_tight_feature_decides() -> None:
    """A wide tolerance gives way to a narrow one: both keep the same room until the narrow one is at its centre."""
    tight = feature(-4.0, lower_um=-2.0, upper_um=2.0)
    wide = feature(4.0, lower_um=-50.0, upper_um=50.0)

    best = compromise([wide, tight])

    assert (best.step_um, best.margin_um, best.rising, best.falling) == (-2.0, 2.0, 1, 1)


def test_a_bore_and_a_boss_pull_against_each_other() -> None:
    """A bore and a boss both 12 um too big want opposite radii: the best step is none and both are out by 1.5 um."""
    best = compromise([feature(12.0), feature(12.0, sensitivity=2.0)])

    assert best.step_um == pytest.approx(0.0)
    assert best.margin_um == pytest.approx(-1.5)


def test_a_feature_the_register_does_not_move_has_no_say() -> None:
    """S = 0 says that the register cannot change the reading."""
    assert compromise([feature(50.0, sensitivity=0.0), feature(-14.0)]).step_um == -7.0
    assert compromise([feature(50.0, sensitivity=0.0)]) is UNKNOWN


@pytest.mark.parametrize("place", [0, 1])
def test_a_feature_without_an_outlook_leaves_everything_open(place: int) -> None:
    """It might be the one that stands against the step, so no step is known."""
    features = [feature(-14.0), feature(-12.0)]
    features[place] = feature(nan)

    best = compromise(features)

    assert isnan(best.step_um)
    assert isnan(best.margin_um)
    assert best.rising is best.falling is None


@settings(max_examples=100)
@given(st.lists(strategies.features(), min_size=1, max_size=6))
def test_the_best_step_is_that_of_a_linear_programme(features: list[FeatureOutlook]) -> None:
    """A general solver, maximising m with half - |own + S d| >= m, finds the same room."""
    rows = [(sign * f.sensitivity, 1.0) for f in features for sign in (1, -1)]
    bounds = [f.half_um - sign * f.own_um for f in features for sign in (1, -1)]

    solved = linprog([0.0, -1.0], A_ub=np.array(rows), b_ub=np.array(bounds), bounds=[(None, None)] * 2)
    best = compromise(features)

    assert best.margin_um == pytest.approx(-solved.fun, abs=1e-6)
    assert room(features, best.step_um) == pytest.approx(best.margin_um, abs=1e-9)


@settings(max_examples=100)
@given(st.lists(strategies.features(), min_size=1, max_size=6), st.floats(-100, 100))
def test_no_other_step_leaves_more_room(features: list[FeatureOutlook], other: float) -> None:
    """Any other step brings some feature nearer to a limit."""
    best = compromise(features)

    assert room(features, other) <= best.margin_um + 1e-9
    assert best.rising is not None
    assert best.falling is not None
    for index in (best.rising, best.falling):
        deciding = features[index]
        left = deciding.half_um - abs(deciding.own_um + deciding.sensitivity * best.step_um)
        assert left == pytest.approx(best.margin_um, abs=1e-9)
