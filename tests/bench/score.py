"""How well parts came out and what it took: sums that runs of many seeds add up to."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, log, nan, sqrt

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

STEP_UM = 0.05  # of the counted sizes; the 95 % point is told to this
BINS = 20_000  # up to a millimetre; beyond it everything is as bad


@dataclass(frozen=True)
class Score:
    """Of made features: their number, squares and sizes of deviations from target, how many lay out of tolerance."""

    parts: int
    corrections: int
    features: int
    squares: float
    sizes: NDArray[np.int64]  # BINS counts of |deviation|
    outside: int
    settled_features: int
    settled_squares: float
    false_alarms: int = 0  # changes said not to do what was promised, though they did

    def __add__(self, other: "Score") -> "Score":
        return Score(
            self.parts + other.parts,
            self.corrections + other.corrections,
            self.features + other.features,
            self.squares + other.squares,
            self.sizes + other.sizes,
            self.outside + other.outside,
            self.settled_features + other.settled_features,
            self.settled_squares + other.settled_squares,
            self.false_alarms + other.false_alarms,
        )

    @property
    def rms_um(self) -> float:
        return sqrt(self.squares / self.features)

    @property
    def settled_um(self) -> float:
        """RMS without the first parts of every edge, which are off before anybody can know it."""
        return sqrt(self.settled_squares / max(1, self.settled_features))

    @property
    def p95_um(self) -> float:
        return float(np.searchsorted(np.cumsum(self.sizes), 0.95 * self.features) + 1) * STEP_UM

    @property
    def out_share(self) -> float:
        return self.outside / self.features

    @property
    def per_100(self) -> float:
        """Corrections per 100 parts, all registers of the machine together."""
        return 100 * self.corrections / self.parts

    @property
    def point(self) -> "Point":
        return self.per_100, self.rms_um


def score(deviation_um: Floats, half_um: Floats, settled: Flags, corrections: int, false_alarms: int = 0) -> Score:
    """The score of `deviation_um` (seeds, parts, features) from the centre of the tolerance.

    `half_um` (features) is half the tolerance; `settled` (parts) are the parts that count as such.
    """
    size = np.abs(deviation_um)
    bins = np.minimum(size / STEP_UM, BINS - 1).astype(np.int64)
    return Score(
        parts=int(np.prod(size.shape[:-1])),
        corrections=corrections,
        features=size.size,
        squares=float(np.sum(size**2)),
        sizes=np.bincount(bins.ravel(), minlength=BINS).astype(np.int64),
        outside=int(np.sum(size > half_um)),
        settled_features=size[:, settled].size,
        settled_squares=float(np.sum(size[:, settled] ** 2)),
        false_alarms=false_alarms,
    )


Point = tuple[float, float]  # corrections per 100 parts, RMS in um


def front(points: Sequence[Point]) -> list[Point]:
    """The points that no other beats in both, from few corrections to many."""
    best: list[Point] = []
    for point in sorted(points):
        if not best or point[1] < best[-1][1]:
            best.append(point)
    return best


def rms_at(points: Sequence[Point], corrections: float) -> float:
    """RMS on a front at so many corrections, between its points on logarithms; nan where it does not reach so few.

    More corrections than a front's last point buy nothing: its last RMS stays.
    """
    edge = front(points)
    if not edge or corrections < edge[0][0]:
        return nan
    return _between([(x, y) for x, y in edge], corrections) if corrections < edge[-1][0] else edge[-1][1]


def corrections_at(points: Sequence[Point], rms_um: float) -> float:
    """Corrections per 100 parts a front needs for this RMS; nan where no setting tried gets as good.

    Where every setting is better, the fewest corrections tried: an upper bound.
    """
    edge = front(points)
    if not edge or rms_um < edge[-1][1]:
        return nan
    return edge[0][0] if rms_um >= edge[0][1] else _between([(y, x) for x, y in reversed(edge)], rms_um)


def _between(pairs: Sequence[tuple[float, float]], x: float) -> float:
    """On straight lines between logarithms; `pairs` ascend in their first number."""
    for (x0, y0), (x1, y1) in pairwise(pairs):
        if x0 <= x <= x1:
            if min(x0, y0, x1, y1) <= 0:
                return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
            share = log(x / x0) / log(x1 / x0)
            return exp(log(y0) + share * log(y1 / y0))
    return nan
