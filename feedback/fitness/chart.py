"""Control charts of a check standard: individuals and EWMA, and what kind of change they show. Pure.

Individuals: centre +- 3 sigma, sigma = mean moving range / d2, d2 = 1.128 for two values (NIST/SEMATECH e-Handbook
6.3.2.2). EWMA: z = w x + (1 - w) z, limits centre +- L sigma sqrt(w / (2 - w)) in the long run (6.3.2.4); w = 0.2 with
L = 2.86 gives one false alarm in 370 values, as often as an individual beyond 3 sigma (recomputed run lengths).

A check standard's centre comes from its own first checks, not from the certificate: the certificate's uncertainty
would look like a drift. What a centre and a sigma from few checks are worth is in the limits: they begin wide. One
wild check counts in the average no more than its own limit, so that a chip on the ring is not taken for a step.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final, Literal

D2: Final = 1.128  # mean range of two values from a normal law, in standard deviations
WIDTH: Final = 3.0
WEIGHT: Final = 0.2
EWMA_WIDTH: Final = 2.86
BASELINE: Final = 10  # checks that make a centre
NEWEST: Final = 100  # checks in which a change is looked for
EFFICIENCY: Final = 0.62  # of a moving range beside a standard deviation, as a share of its degrees of freedom

Change = Literal["nothing", "drift", "step", "outlier", "unknown"]


@dataclass(frozen=True, slots=True)
class Limits:
    """Centre, standard deviation of one value, and the limits of one value."""

    centre: float
    sigma: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A check standard's chart. `found` is "unknown" with too few checks for a centre; then there are no limits.

    `size` is the change per check of a drift, or the height of a step; `since` the index of the first value that shows
    it.
    """

    values: tuple[float, ...]
    ewma: tuple[float, ...]
    limits: Limits | None
    ewma_lower: tuple[float, ...]
    ewma_upper: tuple[float, ...]
    found: Change
    size: float = 0.0
    since: int | None = None


def moving_sigma(values: Sequence[float]) -> float:
    """Standard deviation of one value from the mean moving range; 0 for fewer than two values."""
    ranges = [abs(one - other) for one, other in zip(values[1:], values, strict=False)]
    return sum(ranges) / len(ranges) / D2 if ranges else 0.0


def individuals(values: Sequence[float], width: float = WIDTH) -> Limits:
    """The plain chart of individual values. ValueError for fewer than two."""
    if len(values) < 2:
        raise ValueError(f"found {len(values)} values; wanted two or more")
    centre, sigma = sum(values) / len(values), moving_sigma(values)
    return Limits(centre, sigma, centre - width * sigma, centre + width * sigma)


def ewma(values: Sequence[float], start: float, weight: float = WEIGHT) -> list[float]:
    """The exponentially weighted moving average after each value; `start` stands before the first."""
    average, averages = start, []
    for value in values:
        average += weight * (value - average)
        averages.append(average)
    return averages


def ewma_sigmas(count: int | None, weight: float = WEIGHT) -> float:
    """Standard deviation of the average after `count` values (None: in the long run), in those of one value."""
    grown = 1.0 if count is None else 1.0 - (1.0 - weight) ** (2 * count)
    return sqrt(weight / (2.0 - weight) * grown)


def chart(values: Sequence[float], least_sigma: float = 0.0) -> Chart:
    """The chart of a check standard's errors, oldest first, and what it shows.

    `least_sigma`: the print's resolution does not allow a smaller standard deviation.
    """
    found = tuple(values)
    if len(found) < BASELINE:
        start = found[0] if found else 0.0
        empty: tuple[float, ...] = ()
        averages = tuple(ewma(found, start))
        return Chart(values=found, ewma=averages, limits=None, ewma_lower=empty, ewma_upper=empty, found="unknown")
    centre = sum(found[:BASELINE]) / BASELINE
    sigma = max(moving_sigma(found), least_sigma)
    wider = _few(len(found) - 1) / WIDTH
    half = WIDTH * wider * sigma * sqrt(1 + 1 / BASELINE)
    limits = Limits(centre, sigma, centre - half, centre + half)
    averages = tuple(ewma([min(max(value, limits.lower), limits.upper) for value in found], centre))
    halves = [EWMA_WIDTH * wider * sigma * sqrt(ewma_sigmas(k + 1) ** 2 + 1 / BASELINE) for k in range(len(found))]
    change, size, since = _change(found, averages, limits, halves)
    return Chart(
        values=found,
        ewma=averages,
        limits=limits,
        ewma_lower=tuple(centre - half for half in halves),
        ewma_upper=tuple(centre + half for half in halves),
        found=change,
        size=size,
        since=since,
    )


def _few(ranges: int) -> float:
    """What stands for 3 sigma when sigma comes from so many moving ranges: the same chance under Student's law.

    Expansion of the quantile in 1 / degrees of freedom (Abramowitz and Stegun 26.7.5), first two terms.
    """
    freedom = max(EFFICIENCY * ranges, 3.0)
    z = WIDTH
    return z + (z**3 + z) / (4 * freedom) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * freedom**2)


def _change(
    values: Sequence[float], averages: Sequence[float], limits: Limits, halves: Sequence[float]
) -> tuple[Change, float, int | None]:
    """What the newest values show: one value beyond its limits at first, then the average beyond its own."""
    was_beyond = len(values) > 1 and abs(averages[-2] - limits.centre) > halves[-2]
    if not was_beyond and not limits.lower <= values[-1] <= limits.upper:
        return "outlier", values[-1] - limits.centre, len(values) - 1
    if abs(averages[-1] - limits.centre) > halves[-1]:
        return _shape(values)
    return "nothing", 0.0, None


def _shape(values: Sequence[float]) -> tuple[Change, float, int | None]:
    """Drift or step: whichever line fits the newest values better, with the place that fits best."""
    skipped = max(len(values) - NEWEST, 0)
    newest = values[skipped:]
    _, change, size, since = min((*_steps(newest), *_drifts(newest)), key=lambda line: line[0])
    return change, size, since + skipped


def _steps(values: Sequence[float]) -> Iterator[tuple[float, Change, float, int]]:
    """Sum of squares, height and place of a step before each value."""
    for k in range(1, len(values)):
        before, after = values[:k], values[k:]
        low, high = sum(before) / len(before), sum(after) / len(after)
        rest = sum((value - low) ** 2 for value in before) + sum((value - high) ** 2 for value in after)
        yield rest, "step", high - low, k


def _drifts(values: Sequence[float]) -> Iterator[tuple[float, Change, float, int]]:
    """Sum of squares, slope and place of a level line that begins to rise or fall before each value."""
    for k in range(len(values) - 2):
        times = [max(0, index - k + 1) if k else index for index in range(len(values))]
        slope, level = _line(times, values)
        rest = sum((value - level - slope * time) ** 2 for time, value in zip(times, values, strict=True))
        yield rest, "drift", slope, k


def _line(times: Sequence[float], values: Sequence[float]) -> tuple[float, float]:
    """Least-squares slope and intercept."""
    middle, mean = sum(times) / len(times), sum(values) / len(values)
    spread = sum((time - middle) ** 2 for time in times)
    slope = sum((time - middle) * (value - mean) for time, value in zip(times, values, strict=True)) / spread
    return slope, mean - slope * middle
