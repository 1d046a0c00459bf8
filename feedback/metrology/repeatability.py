"""How well a probe repeats: touches on one spot, in each direction, and after taking the tool out and in again.

The evaluations are those of ISO 230-10: largest minus smallest of n = 10 touches (single-point probing repeatability),
of n = 10 relocations per axis (probing-tool location repeatability). Point counts and names from memory; the arithmetic
is plain. Values are deviations in micrometres from anything fixed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

from feedback.metrology.inconclusive import InconclusiveError, at_least
from feedback.metrology.outliers import Suspect, grubbs
from feedback.metrology.scatter import (
    MOST_IN_A_RANGE,
    Interval,
    d2,
    d3,
    mean,
    pooled,
    spread_interval,
    standard_deviation,
)

LEAST_REPEATS: Final = 10  # ISO 230-10
UNUSUAL: Final = 3.0  # standard deviations of the range from what normal scatter gives
SURE: Final = 0.05  # probability below which unequal spreads are not chance


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """What repeats at one place say. `sd_um` has its 95 % interval; `resolution_um` is the step between readings."""

    n: int
    mean_um: float
    sd_um: Interval
    range_um: float
    expected_range_um: float  # of normal scatter with this standard deviation: d2 s
    range_sd_um: float  # d3 s
    suspect: Suspect
    resolution_um: float = 0.0

    @property
    def standard_uncertainty_um(self) -> float:
        """s, but never less than the reading's own step allows: max(s, resolution / sqrt(12)) (ISO 22514-7)."""
        return max(self.sd_um.value, self.resolution_um / sqrt(12))

    @property
    def degrees(self) -> int:
        return self.n - 1

    @property
    def words(self) -> tuple[str, ...]:
        """The verdicts a person reads, the most serious first."""
        return tuple(_verdicts(self))


def repeatability(values_um: Sequence[float], resolution_um: float = 0.0) -> Repeatability:
    """Mean, standard deviation with interval, range and the most suspect value of repeats at one place.

    InconclusiveError for fewer than ten repeats.
    """
    missing = LEAST_REPEATS - len(values_um)
    at_least(
        len(values_um),
        LEAST_REPEATS,
        "repeats",
        f"touch the same spot {missing} more {'time' if missing == 1 else 'times'}",
    )
    sd = standard_deviation(values_um)
    n = min(len(values_um), MOST_IN_A_RANGE)
    return Repeatability(
        n=len(values_um),
        mean_um=mean(values_um),
        sd_um=spread_interval(sd, len(values_um) - 1),
        range_um=max(values_um) - min(values_um),
        expected_range_um=d2(n) * sd,
        range_sd_um=d3(n) * sd,
        suspect=grubbs(values_um),
        resolution_um=resolution_um,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Directions:
    """Repeats in several directions: each one's answer, all together, and whether they scatter alike."""

    each: Mapping[str, Repeatability]
    pooled_sd_um: float
    degrees: int
    worst: str
    alike_p: float  # probability of spreads this unlike, if all directions repeat alike (Bartlett)
    what: str = "direction"  # what the names are names of

    @property
    def are_alike(self) -> bool:
        return self.alike_p >= SURE

    @property
    def words(self) -> tuple[str, ...]:
        if self.are_alike:
            known = f"{self.pooled_sd_um:.2f} um over {self.degrees} degrees of freedom"
            return (f"repeats to {known}" if len(self.each) == 1 else f"all {self.what}s repeat alike: {known}",)
        sd_um = self.each[self.worst].sd_um.value
        spreads = f"{sd_um:.2f} um against {self.pooled_sd_um:.2f} um over all"
        return (f"{self.what} {self.worst} repeats worse than the others ({spreads}): look for a loose stylus or dirt",)


def per_direction(
    touches: Mapping[str, Sequence[float]], resolution_um: float = 0.0, what: str = "direction"
) -> Directions:
    """Repeatability in each direction and over all of them. InconclusiveError names the direction that falls short.

    `what` the names are names of, where they are not directions but points.
    """
    each = {name: _named(f"{what} {name}", values, resolution_um) for name, values in touches.items()}
    at_least(len(each), 1, "directions", "repeat touches in the direction of each axis")
    spreads = [found.sd_um.value for found in each.values()]
    sd, degrees = pooled(spreads, [found.degrees for found in each.values()])
    return Directions(
        each=each,
        pooled_sd_um=sd,
        degrees=degrees,
        worst=max(each, key=lambda name: each[name].sd_um.value),
        alike_p=spreads_alike(spreads, [found.degrees for found in each.values()])[1],
        what=what,
    )


def _named(name: str, values: Sequence[float], resolution_um: float) -> Repeatability:
    try:
        return repeatability(values, resolution_um)
    except InconclusiveError as why:
        raise InconclusiveError(f"{name}: {why}") from None


def spreads_alike(spreads: Sequence[float], degrees: Sequence[int]) -> tuple[float, float]:
    """Bartlett's statistic and its probability under equal spreads; (0, 1) where there is nothing to compare.

    Source: Bartlett, Proc. R. Soc. A 160 (1937); NIST/SEMATECH e-Handbook 1.3.5.7. A spread of nothing among others
    (readings that all fell on one step) cannot be judged by it and gives (inf, 0).
    """
    from math import inf, log

    from scipy.stats import chi2

    if len(spreads) < 2 or not any(spreads):
        return 0.0, 1.0
    if not all(spreads):
        return inf, 0.0
    sd, total = pooled(spreads, degrees)
    apart = total * log(sd * sd) - sum(v * log(s * s) for s, v in zip(spreads, degrees, strict=True))
    correction = 1 + (sum(1 / v for v in degrees) - 1 / total) / (3 * (len(spreads) - 1))
    return apart / correction, float(chi2.sf(apart / correction, len(spreads) - 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Relocation:
    """Largest minus smallest place of one feature over relocations, per axis, against a limit where one is set."""

    n: int
    range_um: Mapping[str, float]
    sd_um: Mapping[str, float]
    limit_um: float | None

    @property
    def too_far(self) -> tuple[str, ...]:
        """Axes whose range exceeds the limit."""
        return tuple(
            axis for axis, range_um in self.range_um.items() if self.limit_um is not None and range_um > self.limit_um
        )


def relocation(places_um: Sequence[Mapping[str, float]], limit_um: float | None = None) -> Relocation:
    """Per axis max - min over relocations (probe or part taken out and in, or the tool changed, each time).

    Source: ISO 230-10, location repeatability (n = 10, from memory). InconclusiveError for fewer than ten places or a
    place that lacks an axis.
    """
    at_least(len(places_um), LEAST_REPEATS, "relocations", "relocate and measure more often")
    axes = list(places_um[0])
    for k, place in enumerate(places_um, start=1):
        if set(place) != set(axes):
            raise InconclusiveError(
                f"relocation {k} gives {', '.join(place) or 'nothing'}; wanted {', '.join(axes)} as in the first;"
                " measure every axis each time"
            )
    columns = {axis: [place[axis] for place in places_um] for axis in axes}
    return Relocation(
        n=len(places_um),
        range_um={axis: max(column) - min(column) for axis, column in columns.items()},
        sd_um={axis: standard_deviation(column) for axis, column in columns.items()},
        limit_um=limit_um,
    )


def between_occasions(means: Sequence[float], sd: float, repeats: int) -> float:
    """Standard deviation between occasions beyond what repeats explain: sqrt(var(means) - s^2 / repeats), at least 0.

    Source: NIST/SEMATECH e-Handbook 2.3.3.2 (level-2 against level-1 standard deviation). InconclusiveError for fewer
    than two occasions.
    """
    at_least(len(means), 2, "occasions", "measure again on another day")
    return sqrt(max(standard_deviation(means) ** 2 - sd * sd / repeats, 0.0))


def _verdicts(found: Repeatability) -> list[str]:
    words = []
    sd, suspect, step_um = found.sd_um, found.suspect, found.resolution_um
    if suspect.is_outlier:
        words.append(
            f"repeat {suspect.index + 1} ({suspect.value:+.2f} um) stands apart from the rest (G {suspect.g:.2f},"
            f" critical {suspect.critical:.2f}): look for dirt or a mis-trigger and repeat the study"
        )
    if sd.value < step_um / sqrt(12):
        words.append(
            f"the readings hardly leave one step of {step_um:.2f} um: the step, not the probe, limits them;"
            " print one more decimal"
        )
    if abs(found.range_um - found.expected_range_um) > UNUSUAL * found.range_sd_um:
        words.append(
            f"the range {found.range_um:.2f} um is unusual for normal scatter"
            f" ({found.expected_range_um:.2f} um expected)"
        )
    plain = f"repeats to {sd.value:.2f} um ({sd.low:.2f} to {sd.high:.2f} um, 95 %)"
    return words or [f"{plain}, range {found.range_um:.2f} um of {found.n}"]
