"""The circle that fits probed points best, and what is left over: the form error and the probe's own.

Geometric least squares: the sum of squared distances from the circle is smallest (Gauss; ISO 230-10 takes the distances
from its centre). An algebraic circle (smallest sum of squared power) has another centre when points are few or far off;
it is only the start. Lengths may be in any unit, the same for all; answers come in it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot
from typing import TYPE_CHECKING, Final

from feedback.metrology.inconclusive import InconclusiveError, at_least

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LEAST_POINTS: Final = 3
FLATTEST: Final = 1e-9  # spread across the best line, as a share of the spread along it, below which points lie on it
LARGEST_RADIUS: Final = 1e5  # in units of the points' own extent: an arc so short has no centre

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Circle:
    """Centre, radius, and each point's distance from the circle (positive: outside), in the points' order."""

    x: float
    y: float
    radius: float
    radial: tuple[float, ...]

    @property
    def diameter(self) -> float:
        return 2 * self.radius

    @property
    def sum_of_squares(self) -> float:
        return sum(r * r for r in self.radial)

    @property
    def radial_range(self) -> float:
        """Largest minus smallest distance from the centre.

        On a ring of negligible form error this is the probe's 2D error (ISO 230-10; 36 points are usual there, from
        memory); on a workpiece it is form and probe together.
        """
        return max(self.radial) - min(self.radial)

    @property
    def residual_sd(self) -> float:
        """sqrt(sum of squares / (n - 3)); 0 for three points, which any circle fits."""
        free = len(self.radial) - LEAST_POINTS
        return float((self.sum_of_squares / free) ** 0.5) if free else 0.0


def algebraic_circle(points: Sequence[Point]) -> Circle:
    """The circle with the smallest sum of (x^2 + y^2 - 2 a x - 2 b y - c)^2.

    Source: Kasa, IEEE Trans. Instrum. Meas. 25 (1976). InconclusiveError for fewer than three points, or points that
    lie on one line or on one spot.
    """
    import numpy as np

    centred, middle = _centred(points)
    x, y = centred[:, 0], centred[:, 1]
    table = np.column_stack([x, y, np.ones_like(x)])
    (a, b, c), *_ = np.linalg.lstsq(table, x * x + y * y, rcond=None)
    return _circle(points, float(a / 2 + middle[0]), float(b / 2 + middle[1]), float((c + (a * a + b * b) / 4) ** 0.5))


def least_squares_circle(points: Sequence[Point]) -> Circle:
    """The circle with the smallest sum of squared distances (x, y, radius free), by Levenberg-Marquardt.

    Source: Gander, Golub and Strebel, BIT 34 (1994) 558-578, geometric fit. InconclusiveError as for the algebraic
    circle, and where the points are so nearly straight that no centre comes out.
    """
    import numpy as np
    from scipy.optimize import least_squares

    begin = algebraic_circle(points)
    centred, middle = _centred(points)
    extent = float(np.abs(centred).max())
    unit = centred / extent  # the fit sees numbers around one, whatever the unit

    def distances(at: "Array") -> "Array":
        found: Array = np.hypot(unit[:, 0] - at[0], unit[:, 1] - at[1]) - at[2]
        return found

    def slopes(at: "Array") -> "Array":
        dx, dy = unit[:, 0] - at[0], unit[:, 1] - at[1]
        distance = np.maximum(np.hypot(dx, dy), np.finfo(float).tiny)
        return np.column_stack([-dx / distance, -dy / distance, -np.ones_like(dx)])

    start = [(begin.x - middle[0]) / extent, (begin.y - middle[1]) / extent, begin.radius / extent]
    found = least_squares(distances, start, jac=slopes, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    x, y, radius = (float(value) for value in found.x)
    if not found.success or not radius < LARGEST_RADIUS:
        raise InconclusiveError(
            "the points lie so nearly on a line that no centre can be told; wanted points around the circle;"
            " probe points further apart"
        )
    return _circle(points, x * extent + float(middle[0]), y * extent + float(middle[1]), radius * extent)


def _centred(points: Sequence[Point]) -> "tuple[Array, Array]":
    """The points about their middle, if they can carry a circle at all."""
    import numpy as np

    at_least(len(points), LEAST_POINTS, "points", "probe more points around the circle")
    table = np.asarray(points, dtype=np.float64)
    if not np.isfinite(table).all():
        raise InconclusiveError("found a coordinate that is not a number; wanted every point measured; probe it again")
    middle = table.mean(axis=0)
    centred = table - middle
    along, across = np.linalg.svd(centred, compute_uv=False)
    if not across > FLATTEST * along:
        raise InconclusiveError(
            "all points lie on one line; wanted points around the circle; probe at least one off that line"
        )
    return centred, middle


def _circle(points: Sequence[Point], x: float, y: float, radius: float) -> Circle:
    return Circle(x=x, y=y, radius=radius, radial=tuple(hypot(px - x, py - y) - radius for px, py in points))
