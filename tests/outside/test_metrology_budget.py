"""The end gauge of the GUM's annex H.1, by our budget and by two general libraries for uncertain numbers."""

from math import inf, sqrt

import pytest
from GTC import core  # type: ignore[import-untyped]
from GTC.type_b import uniform  # type: ignore[import-untyped]
from uncertainties import ufloat  # type: ignore[import-untyped]

from feedback.metrology.budget import Budget, Source, within

# JCGM 100:2008, annex H.1: l = l_s + d - l_s (da theta + alpha_s dtheta), nm and degC.
LENGTH, COMPARED = 50_000_623.0, 215.0
ALPHA, THETA = 11.5e-6, -0.1
END_GAUGE = Budget(
    unit="nm",
    sources=(
        Source(quantity="l_s", value=LENGTH, unit="nm", distribution="normal", u=75 / 3, degrees=18),
        Source(quantity="d, five comparisons", value=COMPARED, unit="nm", distribution="normal", u=5.8, degrees=24),
        Source(quantity="d, comparator random", value=0, unit="nm", distribution="normal", u=3.9, degrees=5),
        Source(quantity="d, comparator systematic", value=0, unit="nm", distribution="normal", u=6.7, degrees=8),
        Source(
            quantity="alpha_s", value=ALPHA, unit="1/K", distribution="rectangular", u=within(2e-6), sensitivity=0.0
        ),
        Source(quantity="theta", value=THETA, unit="K", distribution="arcsine", u=0.41, sensitivity=0.0),
        Source(
            quantity="da", value=0, unit="1/K", distribution="rectangular", u=within(1e-6), degrees=50,
            sensitivity=-LENGTH * THETA,
        ),
        Source(
            quantity="dtheta", value=0, unit="K", distribution="rectangular", u=within(0.05), degrees=2,
            sensitivity=-LENGTH * ALPHA,
        ),
    ),
)  # fmt: skip


def test_the_end_gauge_has_its_published_uncertainty() -> None:
    """Published: contributions 25, 9.7, 2.9, 16.6 nm; u_c 32 nm; 16.7 -> 16 degrees of freedom; U99 93 nm (2.92 x 32).

    Unrounded: 31.66 nm and 92.5 nm.
    """
    by_name = {row["quantity"]: row["contribution"] for row in END_GAUGE.rows()}

    assert by_name["l_s"] == pytest.approx(25.0)
    compared = [value for name, value in by_name.items() if name.startswith("d,")]
    assert sqrt(sum(value**2 for value in compared)) == pytest.approx(9.68, abs=5e-3)
    assert by_name["da"] == pytest.approx(2.887, abs=5e-4)
    assert by_name["dtheta"] == pytest.approx(16.599, abs=5e-4)
    assert END_GAUGE.combined == pytest.approx(31.664, abs=2e-3)
    assert END_GAUGE.effective_degrees == pytest.approx(16.75, abs=0.05)
    assert END_GAUGE.coverage_factor(0.99) == pytest.approx(2.9208, abs=5e-5)
    assert END_GAUGE.expanded(0.99) == pytest.approx(92.48, abs=0.02)


def test_temperature_of_equal_materials_adds_nothing_at_first_order() -> None:
    """Standard and gauge expand alike: a budget that adds alpha times theta once more is wrong by 24 um/K/m."""
    by_name = {row["quantity"]: row["contribution"] for row in END_GAUGE.rows()}

    assert by_name["alpha_s"] == by_name["theta"] == 0.0


def test_a_library_of_uncertain_numbers_agrees() -> None:
    """The same model written out with `uncertainties`, which finds the sensitivities itself."""
    standard, compared = ufloat(LENGTH, 25), ufloat(COMPARED, sqrt(5.8**2 + 3.9**2 + 6.7**2))
    alpha, theta = ufloat(ALPHA, within(2e-6)), ufloat(THETA, 0.41)
    apart, warmer = ufloat(0, within(1e-6)), ufloat(0, within(0.05))

    length = standard + compared - standard * (apart * theta + alpha * warmer)

    assert length.nominal_value == pytest.approx(50_000_838.0)
    assert END_GAUGE.combined == pytest.approx(length.std_dev, rel=1e-6)


def test_a_library_with_degrees_of_freedom_agrees() -> None:
    """GTC gives the same combined uncertainty and the same effective degrees of freedom."""
    standard = core.ureal(LENGTH, 25, 18)
    compared = core.ureal(COMPARED, 5.8, 24) + core.ureal(0, 3.9, 5) + core.ureal(0, 6.7, 8)
    alpha, theta = core.ureal(ALPHA, uniform(2e-6), inf), core.ureal(THETA, 0.41, inf)
    apart, warmer = core.ureal(0, uniform(1e-6), 50), core.ureal(0, uniform(0.05), 2)

    length = standard + compared - standard * (apart * theta + alpha * warmer)

    assert END_GAUGE.combined == pytest.approx(core.uncertainty(length), rel=1e-9)
    assert END_GAUGE.effective_degrees == pytest.approx(core.dof(length), rel=1e-6)
