"""Circles through probed points."""

from math import cos, nan, pi, sin

import numpy as np
import pytest

from feedback.metrology.circle import algebraic_circle, least_squares_circle
from feedback.metrology.inconclusive import InconclusiveError


def test_three_points_give_their_own_circle() -> None:
    """Three touches leave nothing over to judge the form by."""
    found = least_squares_circle([(26.0, 3.0), (1.0, 28.0), (-24.0, 3.0)])

    assert (found.x, found.y, found.diameter) == pytest.approx((1.0, 3.0, 50.0), abs=1e-12)
    assert found.residual_sd == 0.0


def test_a_touch_missing_is_answered_with_how_many_are_wanted() -> None:
    """Two points are no circle, and the person is told what to probe."""
    with pytest.raises(InconclusiveError, match="found 2 points; wanted at least 3; probe more"):
        least_squares_circle([(1.0, 0.0), (0.0, 1.0)])


@pytest.mark.parametrize(
    "points",
    [[(0.0, 0.0), (1.0, 1.0), (2.0, 2.0), (3.0, 3.0)], [(5.0, 5.0)] * 4, [(1000.0, 0.1), (1001.0, 0.2), (1002.0, 0.3)]],
)
def test_points_on_one_line_are_no_circle(points: list[tuple[float, float]]) -> None:
    """A program that touched one wall only is told so, instead of a radius of kilometres."""
    with pytest.raises(InconclusiveError, match="one line"):
        least_squares_circle(points)


def test_an_arc_too_short_for_a_centre_is_refused() -> None:
    """Points on a gentle bow of a wall, with the probe's scatter on them, do not place a centre."""
    points = [(float(x), y) for x, y in zip(range(8), [0, 2e-8, -1e-8, 1e-8, 0, -2e-8, 1e-8, 0], strict=True)]

    with pytest.raises(InconclusiveError, match=r"nearly on a line|one line"):
        least_squares_circle(points)


def test_a_reading_that_is_not_a_number_is_refused() -> None:
    """A missing coordinate never becomes part of a radius."""
    with pytest.raises(InconclusiveError, match="not a number"):
        least_squares_circle([(nan, 0.0), (1.0, 0.0), (0.0, 1.0)])


def test_the_fit_does_not_mind_where_on_the_table_the_ring_stands() -> None:
    """A ring far from machine zero keeps its form error to a hundredth of a micrometre."""
    angles = np.arange(36) * 2 * pi / 36
    ring = [((20 + 0.001 * cos(3 * a)) * cos(a), (20 + 0.001 * cos(3 * a)) * sin(a)) for a in angles]

    far = least_squares_circle([(x + 1800.0, y - 950.0) for x, y in ring])

    assert (far.x, far.y) == pytest.approx((1800.0, -950.0), abs=1e-8)
    assert far.radial_range == pytest.approx(0.002, abs=1e-5)


def test_scatter_is_estimated_without_favour() -> None:
    """Three of the twelve degrees of freedom went into the circle; the rest give the true scatter on average."""
    rng = np.random.default_rng(7)
    angles = np.arange(12) * 2 * pi / 12
    variances = []
    for _ in range(400):
        radius = 25 + rng.normal(0, 0.001, 12)
        points = [(r * cos(a), r * sin(a)) for r, a in zip(radius.tolist(), angles, strict=True)]
        variances.append(least_squares_circle(points).residual_sd ** 2)

    assert np.mean(variances) ** 0.5 == pytest.approx(0.001, rel=0.05)  # 3 standard errors are 0.05


def test_a_circle_algebra_prefers_is_not_the_answer() -> None:
    """The algebraic start leaves a larger sum of squared distances than the geometric circle."""
    points = [(1.0, 7.0), (2.0, 6.0), (5.0, 8.0), (7.0, 7.0), (9.0, 5.0), (3.0, 7.0)]

    assert algebraic_circle(points).sum_of_squares > least_squares_circle(points).sum_of_squares + 0.1
