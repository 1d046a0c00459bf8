"""Whether a reading proves that a part is inside its tolerance, proves that it is outside, or proves neither.

ISO 14253-1: conformity is proved where the reading lies inside the limits by a guard band; nonconformity where it lies
outside by one. The default asks for 95 % (guard 1.65 standard uncertainties at a single limit; clause from memory).
Probabilities are those of JCGM 106:2012, clause 7: nothing is known of the part but its reading and the normal standard
uncertainty. Micrometres, as deviations from nominal.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isinf
from statistics import NormalDist
from typing import Final, Literal

PROBABILITY: Final = 0.95  # ISO 14253-1, default
_STANDARD: Final = NormalDist()

Standing = Literal["inside", "uncertain", "outside"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """Limit deviations; an open side is infinite."""

    lower: float = -inf
    upper: float = inf

    @property
    def width(self) -> float:
        return self.upper - self.lower

    @property
    def is_two_sided(self) -> bool:
        return not isinf(self.lower) and not isinf(self.upper)

    def holds(self, value: float) -> bool:
        return self.lower <= value <= self.upper


def probability_inside(value: float, u: float, tolerance: Tolerance) -> float:
    """Probability that the true value lies within the limits: F((U - y) / u) - F((L - y) / u) (JCGM 106, 7.2 to 7.4).

    Without uncertainty it is 1 or 0.
    """
    if not u > 0:
        return float(tolerance.holds(value))
    above = _STANDARD.cdf((tolerance.upper - value) / u) if not isinf(tolerance.upper) else 1.0
    below = _STANDARD.cdf((tolerance.lower - value) / u) if not isinf(tolerance.lower) else 0.0
    return above - below


def guard_factor(width_over_u: float, probability: float = PROBABILITY) -> float | None:
    """Guard band in standard uncertainties, at a tolerance this many of them wide, so that a reading on the acceptance
    limit is inside with just this probability; None: not even a reading in the middle proves it.

    One-sided (infinite width): the normal quantile, 1.645 for 95 %. Two-sided the other limit takes its share: solved
    from F(w - g) - F(-g) = p. 1.645 is good enough from a width of six; below 3.92 nothing proves 95 %.
    """
    one_sided = _STANDARD.inv_cdf(probability)
    if isinf(width_over_u):
        return one_sided

    def short(g: float) -> float:
        return _STANDARD.cdf(width_over_u - g) - _STANDARD.cdf(-g) - probability

    if short(width_over_u / 2) < 0:
        return None
    low, high = one_sided, width_over_u / 2
    if short(low) >= 0:  # rounding: the other limit is too far away to matter
        return low
    return _root(short, low, high)


def acceptance_zone(tolerance: Tolerance, u: float, probability: float = PROBABILITY) -> Tolerance | None:
    """Readings that prove conformity with at least this probability; None where none can."""
    if not u > 0:
        return tolerance
    factor = guard_factor(tolerance.width / u, probability)
    if factor is None:
        return None
    return Tolerance(lower=tolerance.lower + factor * u, upper=tolerance.upper - factor * u)


def permissive_zone(tolerance: Tolerance, u: float, probability: float = PROBABILITY) -> Tolerance:
    """Readings that do not prove nonconformity: the limits moved outwards by the one-sided guard band.

    For a tolerance narrower than the uncertainty this is cautious: nonconformity is then proved later than it might be.
    """
    guard = _STANDARD.inv_cdf(probability) * u
    return Tolerance(lower=tolerance.lower - guard, upper=tolerance.upper + guard)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conformity:
    """Where a reading stands, with the probability that the true value is inside."""

    standing: Standing
    probability: float
    accepted: Tolerance | None  # readings that prove conformity; None: the tolerance is too narrow for this probe

    @property
    def words(self) -> str:
        if self.standing == "inside":
            return f"inside: proved with {self.probability:.1%}"
        if self.standing == "outside":
            return f"outside: proved with {1 - self.probability:.1%}"
        if self.accepted is None:
            return (
                f"uncertain ({self.probability:.1%} inside): the tolerance is too narrow to prove anything with this"
                " uncertainty; measure it with a better instrument"
            )
        return f"uncertain ({self.probability:.1%} inside): too near a limit; measure again or by other means"


def conformity(value: float, u: float, tolerance: Tolerance, probability: float = PROBABILITY) -> Conformity:
    """The verdict on one reading by ISO 14253-1. `u`: its standard uncertainty; 0 compares with the bare limits."""
    accepted = acceptance_zone(tolerance, u, probability)
    standing: Standing = "uncertain"
    if accepted is not None and accepted.holds(value):
        standing = "inside"
    elif not permissive_zone(tolerance, u, probability).holds(value):
        standing = "outside"
    return Conformity(standing=standing, probability=probability_inside(value, u, tolerance), accepted=accepted)


@dataclass(frozen=True, slots=True, kw_only=True)
class Risks:
    """Of all parts: nonconforming before inspection; nonconforming and accepted; conforming and rejected."""

    nonconforming: float
    consumer: float
    producer: float


def global_risks(
    process: Callable[[float], float],
    reach: tuple[float, float],
    u: float,
    tolerance: Tolerance,
    accepted: Tolerance,
) -> Risks:
    """Risks of judging every part of a process by one reading: JCGM 106:2012, clause 9.

    `process`: the density of true values, nothing beyond `reach`; `accepted`: readings that pass. By quadrature.
    """
    from scipy.integrate import quad

    def integral(of: Callable[[float], float], low: float, high: float) -> float:
        low, high = max(low, reach[0]), min(high, reach[1])
        return float(quad(of, low, high, limit=400, epsabs=1e-13)[0]) if low < high else 0.0

    def passed(true: float) -> float:
        return process(true) * probability_inside(true, u, accepted)

    def failed(true: float) -> float:
        return process(true) * (1 - probability_inside(true, u, accepted))

    outside = ((reach[0], tolerance.lower), (tolerance.upper, reach[1]))
    return Risks(
        nonconforming=sum(integral(process, low, high) for low, high in outside),
        consumer=sum(integral(passed, low, high) for low, high in outside),
        producer=integral(failed, tolerance.lower, tolerance.upper),
    )


def normal_density(sd: float) -> Callable[[float], float]:
    """The density of a centred normal process; its reach is ten standard deviations for every practical purpose."""
    return NormalDist(0.0, sd).pdf


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where the function, negative at `low` and not at `high`, crosses zero; by bisection to rounding."""
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if function(middle) < 0 else (low, middle)
    return high
