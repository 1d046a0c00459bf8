"""Mean, spread and the constants of normal samples, to all the digits the values have.

Lengths of 100 mm that differ by a micrometre lose half their digits in a one-pass sum of squares. So exact decimals are
first referred to one of them, exactly, and everything after is small floats with two-pass sums.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from math import exp, inf, lgamma, sqrt
from statistics import NormalDist, fmean, stdev
from typing import Final

UM_PER_MM: Final = Decimal(1000)
NORMAL: Final = NormalDist()
MOST_IN_A_RANGE: Final = 100  # beyond this nobody uses a range; the quadrature below is good to there


def deviations_um(values_mm: Iterable[Decimal], reference_mm: Decimal) -> list[float]:
    """Each exact value against an exact reference, in micrometres; subtracted before rounding, so no digit is lost."""
    return [float((value - reference_mm) * UM_PER_MM) for value in values_mm]


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A value with its two-sided confidence interval; all in the value's own unit."""

    value: float
    low: float
    high: float
    confidence: float


def mean(values: Sequence[float]) -> float:
    """The arithmetic mean, summed exactly (`math.fsum`)."""
    return fmean(values)


def standard_deviation(values: Sequence[float]) -> float:
    """s = sqrt(sum (x - mean)^2 / (n - 1)), from exact sums (`statistics.stdev`); 0 for one value."""
    return stdev(values) if len(values) > 1 else 0.0


def pooled(spreads: Sequence[float], degrees: Sequence[int]) -> tuple[float, int]:
    """One standard deviation from several and its degrees of freedom: sqrt(sum v s^2 / sum v), sum v.

    Source: NIST/SEMATECH e-Handbook 2.3.3.2 (level-1 standard deviation of a check standard).
    """
    total = sum(degrees)
    return sqrt(sum(v * s * s for s, v in zip(spreads, degrees, strict=True)) / total), total


def spread_interval(sd: float, degrees: int, confidence: float = 0.95) -> Interval:
    """The interval that holds the true standard deviation of normal values: s sqrt(v / chi2).

    Source: chi-square distribution of v s^2 / sigma^2. `degrees` at least 1.
    """
    from scipy.stats import chi2

    tail = (1 - confidence) / 2
    low, high = chi2.ppf(1 - tail, degrees), chi2.ppf(tail, degrees)
    return Interval(
        value=sd, low=sd * sqrt(degrees / low), high=sd * sqrt(degrees / high) if high else inf, confidence=confidence
    )


@lru_cache(maxsize=32)
def d2(n: int) -> float:
    """Expected range of n standard normal values: integral of 1 - F^n - (1 - F)^n.

    Source: Tippett, Biometrika 17 (1925). Computed, not looked up.
    """
    from scipy.integrate import quad

    _in_range(n)
    integral, _ = quad(lambda x: 1 - NORMAL.cdf(x) ** n - (1 - NORMAL.cdf(x)) ** n, 0, 12, epsabs=1e-12, limit=200)
    return float(2 * integral)


@lru_cache(maxsize=32)
def d3(n: int) -> float:
    """Standard deviation of the range of n standard normal values.

    E[R^2] = 2 integral over x < y of 1 - F(y)^n - (1 - F(x))^n + (F(y) - F(x))^n; source as for `d2`.
    """
    import numpy as np
    from scipy.special import ndtr

    _in_range(n)
    # Gauss-Legendre over the triangle x < y; beyond 9 standard deviations nothing is left.
    node, weight = np.polynomial.legendre.leggauss(400)
    y, wy = 9 * node, 9 * weight
    x = (y[:, None] - 9) / 2 + (y[:, None] + 9) / 2 * node[None, :]
    wx = (y[:, None] + 9) / 2 * weight[None, :]
    upper, lower = ndtr(y)[:, None], ndtr(x)
    both = 1 - upper**n - (1 - lower) ** n + (upper - lower) ** n
    return float(sqrt(2 * float(np.sum(wy[:, None] * wx * both)) - d2(n) ** 2))


@lru_cache(maxsize=32)
def d2_star(n: int, groups: int) -> float:
    """Root mean square of the mean of `groups` ranges of n: sqrt(d2^2 + d3^2 / groups); Duncan's d2*.

    For more than 15 groups practice takes d2 itself (tables of gauge studies); so does this.
    """
    return d2(n) if groups > 15 else sqrt(d2(n) ** 2 + d3(n) ** 2 / groups)


def c4(n: int) -> float:
    """Expected standard deviation of n standard normal values: sqrt(2/(n-1)) Gamma(n/2) / Gamma((n-1)/2)."""
    return sqrt(2 / (n - 1)) * exp(lgamma(n / 2) - lgamma((n - 1) / 2))


def _in_range(n: int) -> None:
    if not 2 <= n <= MOST_IN_A_RANGE:
        raise ValueError(f"a range of {n} values; wanted 2 to {MOST_IN_A_RANGE}")
