"""Stretches of a series in which nothing was changed: what capability may be judged on.

A correction, a tool change or a sudden change begins a new stretch. Inside one, a straight drift (wear) is allowed and
taken out; what then still wanders or stands apart makes the stretch unstable. Micrometres.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import fsum, isnan, sqrt
from typing import Final

from feedback.metrology.outliers import grubbs
from feedback.metrology.scatter import NORMAL, mean

LEAST_PARTS: Final = 8  # fewer leave less than six degrees of freedom about their line
SURE: Final = 0.01  # probability below which wandering or a wild part is not chance


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Some parts (indexes of the series) between two changes, with the straight line through them.

    `sd_um` is the scatter about that line with `degrees` = n - 2: the trend-compensated sigma of this stretch.
    """

    parts: tuple[int, ...]
    slope_um: float  # per part
    sd_um: float
    unstable: str | None = None  # why, in words
    names: tuple[str, str] = ("", "")  # of its first and last part

    @property
    def degrees(self) -> int:
        return len(self.parts) - 2

    @property
    def is_stable(self) -> bool:
        return self.unstable is None

    @property
    def words(self) -> str:
        place = f"parts {self.names[0]} to {self.names[1]}"
        return f"{place}: {self.unstable or f'stable about a drift of {self.slope_um:+.3f} um per part'}"


def stable_stretches(
    values_um: Sequence[float],
    changes: Mapping[int, str] | Iterable[int] = (),
    least: int = LEAST_PARTS,
    names: Sequence[str] | None = None,
) -> list[Stretch]:
    """The stretches of at least `least` readings, each judged; nan is a part without a believed reading.

    `changes`: indexes of the first part after a correction, tool change or sudden change. `names` of the parts are
    numbers from 1 where none are given.
    """
    names = names or [str(k + 1) for k in range(len(values_um))]
    begins = sorted({0, *(k for k in changes if 0 < k < len(values_um))})
    found = []
    for first, stop in zip(begins, [*begins[1:], len(values_um)], strict=True):
        parts = tuple(k for k in range(first, stop) if not isnan(values_um[k]))
        if len(parts) >= max(least, 4):
            found.append(_judged(parts, [values_um[k] for k in parts], [names[k] for k in parts]))
    return found


def _judged(parts: tuple[int, ...], values: Sequence[float], names: Sequence[str]) -> Stretch:
    slope, residuals = _line(parts, values)
    sd = sqrt(fsum(r * r for r in residuals) / (len(residuals) - 2))
    return Stretch(
        parts=parts, slope_um=slope, sd_um=sd, unstable=_unstable(residuals, names), names=(names[0], names[-1])
    )


def _line(parts: Sequence[int], values: Sequence[float]) -> tuple[float, list[float]]:
    """Slope of the least-squares line and what it leaves."""
    middle, centre = mean(parts), mean(values)
    along = fsum((k - middle) ** 2 for k in parts)
    slope = fsum((k - middle) * (y - centre) for k, y in zip(parts, values, strict=True)) / along
    return slope, [y - centre - slope * (k - middle) for k, y in zip(parts, values, strict=True)]


def _unstable(residuals: Sequence[float], names: Sequence[str]) -> str | None:
    wild = grubbs(residuals, SURE)
    if wild.is_outlier:
        return f"part {names[wild.index]} stands apart by {wild.value:+.1f} um"
    if _wanders(residuals):
        return "the readings wander about a straight drift more than chance allows"
    return None


def _wanders(residuals: Sequence[float]) -> bool:
    """Neighbours are too alike for chance: von Neumann's ratio of successive differences to the scatter.

    C = 1 - sum d^2 / (2 sum r^2), normal with standard deviation sqrt((n - 2) / (n^2 - 1)).
    Source: von Neumann, Ann. Math. Statist. 12 (1941); Young, ibid.
    """
    n, squares = len(residuals), fsum(r * r for r in residuals)
    if not squares:
        return False
    steps = fsum((b - a) ** 2 for a, b in pairwise(residuals))
    alike = 1 - steps / (2 * squares)
    return alike * sqrt((n * n - 1) / (n - 2)) > NORMAL.inv_cdf(1 - SURE)
