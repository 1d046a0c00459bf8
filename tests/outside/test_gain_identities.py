"""The gains our filter settles on against the theory of feedback adjustment.

Local level and EWMA: Muth, J. Amer. Statist. Assoc. 55 (1960). Steady gains of level and trend: Riccati equation.
Harmonic rule: Grubbs (1954), reprinted in J. Quality Technology 15 (1983).
"""

from collections.abc import Sequence

import numpy as np
import pytest

from feedback.trend.tracker import GroupShape, Outlooks, Parameters, Priors, Row, Tracker

WORK = GroupShape(("work",), ((1.0,),))
TOOL = GroupShape(("tool",), ((1.0,),))
PARTS_TO_SETTLE = 400


def _rows(readings: Sequence[float]) -> list[Row]:
    return [Row(str(k), (y,), (0.0,), (False,)) for k, y in enumerate(readings)]


def _steady_gain(shape: GroupShape, walk: float, slope_walk: float) -> np.ndarray:
    """How much each state answers to one more micrometre in the last reading; noise is 1 um."""
    fixed = Parameters(noise_um=(1.0,), walk_um=(walk**0.5,), slope_walk_um=slope_walk**0.5)

    def last(reading: float) -> Outlooks:
        return Tracker(shape, Priors(), fixed=fixed).take(_rows([0.0] * PARTS_TO_SETTLE + [reading]))

    return last(1.0).mean[-1] - last(0.0).mean[-1]


@pytest.mark.parametrize(
    ("q", "gain"),
    [
        (0.01, 0.09512492197),
        (0.04, 0.1809975124),
        (0.05, 0.2),
        (0.0972978343, 0.2670480126),
        (0.25, 0.3903882032),
        (0.5, 0.5),
        (1, 0.6180339887),
        (2, 0.7320508076),
        (4, 0.8284271247),
    ],
)
def test_steady_gain_of_a_work_offset_is_the_ewma_weight(q: float, gain: float) -> None:
    """lambda = (-q + sqrt(q^2 + 4 q)) / 2, with q the ratio of the walk's to the noise's variance."""
    assert _steady_gain(WORK, q, 0.0)[0] == pytest.approx(gain, abs=1e-9)


@pytest.mark.parametrize(
    ("q_level", "q_slope", "level", "slope"),
    [
        (0.1, 0.01, 0.42172010, 0.07604472),
        (0.0, 0.01, 0.36176946, 0.07988933),
        (1.0, 0.1, 0.71187785, 0.16974161),
    ],
)
def test_steady_gains_of_a_wearing_tool(q_level: float, q_slope: float, level: float, slope: float) -> None:
    """Level and slope answer as the Riccati equation of the local linear trend says."""
    assert _steady_gain(TOOL, q_level, q_slope) == pytest.approx([level, slope], abs=1e-7)


def test_a_settled_work_offset_is_an_ewma_of_its_readings() -> None:
    """Once settled, every new level is the old one and lambda times the surprise."""
    fixed = Parameters(noise_um=(1.0,), walk_um=(0.05**0.5,), slope_walk_um=0.0)
    readings = np.random.default_rng(1).normal(0, 1, 200)

    levels = Tracker(WORK, Priors(), fixed=fixed).take(_rows([0.0] * PARTS_TO_SETTLE + readings.tolist())).mean[:, 0]

    ewma = levels[PARTS_TO_SETTLE - 1]
    for reading, level in zip(readings, levels[PARTS_TO_SETTLE:], strict=True):
        ewma += 0.2 * (reading - ewma)
        assert level == pytest.approx(ewma, abs=1e-9)


def _corrections(first_level_um: float, errors: Sequence[float]) -> tuple[list[float], list[float], list[float]]:
    """Correct in full after every part; readings, corrections and offset variances. Noise 1 um, nothing walks."""
    fixed = Parameters(noise_um=(1.0,), walk_um=(0.0,), slope_walk_um=0.0)
    tracker = Tracker(WORK, Priors(first_level_um=first_level_um), fixed=fixed)
    offset, moved = 3.0, 0.0
    readings, corrections, variances = [], [], []
    for k, error in enumerate(errors):
        offset += moved
        readings.append(offset + error)
        outlook = tracker.take([Row(str(k), (readings[-1],), (moved,), (False,))])
        moved = -float(outlook.predict(1).level_um[0, 0])
        corrections.append(moved)
        variances.append(float(outlook.predict(1).level_sd_um[0, 0]) ** 2)
    return readings, corrections, variances


ERRORS = [0.4, -1.1, 0.7, 0.2, -0.5, 1.3, -0.9, 0.1, 0.6, -0.3]


def test_setting_up_from_nothing_follows_the_harmonic_rule() -> None:
    """Nothing known about the set-up: part k asks for -y/k, and 1/k of the noise variance is left."""
    readings, corrections, variances = _corrections(1e5, ERRORS)

    for k, (reading, correction, variance) in enumerate(zip(readings, corrections, variances, strict=True), start=1):
        assert correction == pytest.approx(-reading / k, abs=1e-8)
        assert variance == pytest.approx(1 / k, abs=1e-8)


@pytest.mark.parametrize("setup_var", [1.0, 4.0, 9.0, 16.0])
def test_setting_up_with_known_spread_follows_the_extended_rule(setup_var: float) -> None:
    """Set-up spread s known: part k asks for -y / (k + sigma^2/s^2), and 1/(1/s^2 + k/sigma^2) is left."""
    readings, corrections, variances = _corrections(setup_var**0.5, ERRORS)

    for k, (reading, correction, variance) in enumerate(zip(readings, corrections, variances, strict=True), start=1):
        assert correction == pytest.approx(-reading / (k + 1 / setup_var), abs=1e-9)
        assert variance == pytest.approx(1 / (1 / setup_var + k), abs=1e-9)


def test_printed_offset_variances_of_the_extended_rule() -> None:
    """The table of setup_var 4: variances .8, .4444, .3077, .1905, .0976 after parts 1, 2, 3, 5, 10."""
    _, _, variances = _corrections(2.0, ERRORS)

    assert [variances[k - 1] for k in (1, 2, 3, 5, 10)] == pytest.approx(
        [0.8, 0.4444444444, 0.3076923077, 0.1904761905, 0.09756097561], abs=1e-9
    )
