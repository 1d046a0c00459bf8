"""Circle fits against published and constructed sets."""

from math import cos, pi, sin

import pytest

from feedback.metrology.circle import algebraic_circle, least_squares_circle

Points = list[tuple[float, float]]

GANDER: Points = [(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)]  # Gander, Golub and Strebel, BIT 34 (1994) 558-578
COOKBOOK: Points = [(9, 34), (35, 10), (-13, 6), (10, -14), (23, 27), (0, -10)]  # SciPy Cookbook, circle example
COURSE: Points = [  # eight points of a course example on least squares
    (0.7, 4), (3.3, 4.7), (5.6, 4), (7.5, 1.3), (6.4, -1.1), (4.4, -3), (0.3, -2.5), (-1.1, 1.3),
]  # fmt: skip


@pytest.mark.parametrize(
    ("points", "circle", "squares", "spread"),
    [
        (GANDER, (4.7397824, 2.9835326, 4.7142261), 1.2275991, 1.4130027),
        (COOKBOOK, (10.5000862, 9.6599495, 23.3335277), 7.7118522, 3.1264649),
        (COURSE, (3.0432383, 0.7456783, 4.1058558), 0.2959484, 0.6603870),
    ],
)
def test_the_geometric_circle_is_the_published_one(
    points: Points, circle: tuple[float, float, float], squares: float, spread: float
) -> None:
    """Three sets on which geometric and algebraic circles differ visibly (first two published, all recomputed)."""
    found = least_squares_circle(points)

    # 2e-7: the seventh decimal of the recomputed first set came from a search that stopped early (its y is 2.98353270)
    assert (found.x, found.y, found.radius) == pytest.approx(circle, abs=2e-7)
    assert found.sum_of_squares == pytest.approx(squares, abs=6e-8)
    assert found.radial_range == pytest.approx(spread, abs=6e-8)


@pytest.mark.parametrize(
    ("points", "circle"),
    [
        (GANDER, (4.7423313, 3.8351227, 4.1087615)),
        (COOKBOOK, (10.5523129, 9.7059001, 23.3624106)),
        (COURSE, (3.0603036, 0.7436073, 4.1091370)),
    ],
)
def test_the_algebraic_start_is_the_known_one(points: Points, circle: tuple[float, float, float]) -> None:
    """The start of the search is Kasa's circle of the same sets (recomputed elsewhere)."""
    found = algebraic_circle(points)

    assert (found.x, found.y, found.radius) == pytest.approx(circle, abs=6e-8)


@pytest.mark.parametrize(("count", "lobes"), [(36, 3), (36, 2), (12, 3)])
def test_a_lobed_ring_has_its_own_centre_size_and_range(count: int, lobes: int) -> None:
    """r = 25 + 0.003 cos(m angle) at even angles: by symmetry centre and radius are exact and the range is 0.006."""
    angles = [2 * pi * k / count for k in range(count)]
    points = [
        (10.0125 + (25 + 0.003 * cos(lobes * a)) * cos(a), -4.0075 + (25 + 0.003 * cos(lobes * a)) * sin(a))
        for a in angles
    ]

    found = least_squares_circle(points)

    assert (found.x, found.y, found.radius) == pytest.approx((10.0125, -4.0075, 25.0), abs=1e-9)
    assert found.radial_range == pytest.approx(0.006, abs=1e-9)
    assert found.sum_of_squares == pytest.approx(count * 0.003**2 / 2, abs=1e-12)
