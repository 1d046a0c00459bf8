"""Sums that keep their digits, and the constants of normal samples."""

from decimal import Decimal
from math import log10
from statistics import stdev

import numpy as np
import pytest

from feedback.metrology.scatter import (
    c4,
    d2,
    d2_star,
    d3,
    deviations_um,
    mean,
    pooled,
    spread_interval,
    standard_deviation,
)

# NIST StRD NumAcc3 and NumAcc4 (public domain): 10^6 (10^7) + 0.2, then +0.1 and +0.3 in turn, 1001 values;
# certified mean ...00.2, standard deviation 0.1 exactly.
NUMERICALLY_HARD = {"NumAcc3": Decimal(1_000_000), "NumAcc4": Decimal(10_000_000)}


def _hard(base: Decimal) -> list[Decimal]:
    return [base + Decimal("0.2")] + [base + Decimal(f"0.{1 if k % 2 == 0 else 3}") for k in range(1000)]


def digits(found: float, certified: float) -> float:
    """Log relative error: how many decimal digits agree."""
    return 15.0 if found == certified else -log10(abs(found - certified) / abs(certified))


@pytest.mark.parametrize("name", NUMERICALLY_HARD)
def test_exact_decimals_keep_the_digits_a_one_pass_sum_loses(name: str) -> None:
    """A scatter of 0.1 on ten million comes out to fifteen digits (NIST StRD, highest difficulty)."""
    base = NUMERICALLY_HARD[name]

    found = deviations_um(_hard(base), base)

    assert digits(standard_deviation(found) / 1000, 0.1) >= 14
    assert digits(mean(found) / 1000, 0.2) >= 14


@pytest.mark.parametrize("name", NUMERICALLY_HARD)
def test_plain_floats_lose_no_more_than_their_own_rounding(name: str) -> None:
    """Already rounded floats still give eight digits, where a one-pass sum of squares fails."""
    values = [float(value) for value in _hard(NUMERICALLY_HARD[name])]

    assert digits(standard_deviation(values), 0.1) >= 8


def test_one_value_has_no_scatter() -> None:
    """One touch says nothing about repeatability; it does not divide by nothing either."""
    assert standard_deviation([3.2]) == 0.0


# n: d2, d3, c4. Computed by quadrature elsewhere; c4 agrees with The Handbook for Quality Management p. 414.
CONSTANTS = {
    2: (1.128379, 0.852502, 0.797885),
    3: (1.692569, 0.888368, 0.886227),
    4: (2.058751, 0.879808, 0.921318),
    5: (2.325929, 0.864082, 0.939986),
    6: (2.534413, 0.848040, 0.951533),
    7: (2.704357, 0.833205, 0.959369),
    8: (2.847201, 0.819831, 0.965030),
    9: (2.970026, 0.807834, 0.969311),
    10: (3.077505, 0.797051, 0.972659),
}


@pytest.mark.parametrize("n", CONSTANTS)
def test_chart_constants_come_out_as_published(n: int) -> None:
    """The expected range of n touches is computed, not typed in."""
    assert (d2(n), d3(n), c4(n)) == pytest.approx(CONSTANTS[n], abs=1e-6)


@pytest.mark.parametrize(("factor", "n", "groups"), [(0.5908, 3, 30), (0.5231, 3, 1), (0.3146, 10, 1)])
def test_factors_of_a_gauge_study_are_reciprocals_of_the_mean_range(factor: float, n: int, groups: int) -> None:
    """K1, K2 and K3 as printed for 3 trials, 3 operators and 10 parts (measurement systems analysis, 4th edition)."""
    assert 1 / d2_star(n, groups) == pytest.approx(factor, abs=5e-5)


@pytest.mark.parametrize("n", [1, 101])
def test_a_range_of_one_value_has_no_constant(n: int) -> None:
    """The programmer is told, not given a number."""
    with pytest.raises(ValueError, match="wanted 2 to 100"):
        d2(n)


def test_the_interval_of_a_spread_holds_the_truth_as_often_as_it_says() -> None:
    """Of 95 % intervals from ten touches, 95 % hold the true repeatability."""
    rng = np.random.default_rng(20261125)
    spreads = [stdev(row.tolist()) for row in rng.normal(0, 1.3, (4000, 10))]

    unit = spread_interval(1.0, 9)
    held = [s * unit.low <= 1.3 <= s * unit.high for s in spreads]

    assert np.mean(held) == pytest.approx(0.95, abs=0.012)  # 3.5 standard errors of 4000 trials


def test_spreads_are_pooled_by_their_degrees_of_freedom() -> None:
    """Two studies of unequal length weigh by what they know."""
    spread, degrees = pooled([3.0, 4.0], [2, 1])

    assert spread == pytest.approx(((18 + 16) / 3) ** 0.5)
    assert degrees == 3
