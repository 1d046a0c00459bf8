"""Outliers and unequal spreads against the NIST/SEMATECH e-Handbook of Statistical Methods and its open series."""

from collections import defaultdict

import pytest

from feedback.metrology.outliers import grubbs, outliers
from feedback.metrology.repeatability import between_occasions, spreads_alike
from feedback.metrology.scatter import pooled, standard_deviation
from tests.outside.open_series import table

# e-Handbook 1.3.5.17.1: uranium isotope masses
MASSES = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
# e-Handbook 1.3.5.17.3, data of Rosner (1983), public domain
ROSNER = [
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70,
    1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40,
    2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
]  # fmt: skip


def test_grubbs_statistic_and_critical_value_are_the_published_ones() -> None:
    """Published: G = 2.4687, critical 2.032 (largest value, 5 %)."""
    found = grubbs(MASSES, one_sided=True)

    assert (found.g, found.critical) == pytest.approx((2.468765, 2.031652), abs=1e-6)
    assert (found.value, found.is_outlier) == (245.57, True)


def test_both_sides_ask_for_a_little_more() -> None:
    """Critical value of the two-sided test for eight values: 2.126645 (recomputed)."""
    assert grubbs(MASSES).critical == pytest.approx(2.126645, abs=1e-6)


def test_three_outliers_are_found_where_the_second_hides_behind_the_third() -> None:
    """Published conclusion: three outliers, though the second alone would pass; R 3.119, 2.943, 3.179."""
    found = outliers(ROSNER, most=10)

    assert [suspect.value for suspect in found] == [6.01, 5.42, 5.34]
    assert [suspect.g for suspect in found] == pytest.approx([3.118906, 2.942973, 3.179424], abs=1e-6)
    assert [suspect.critical for suspect in found] == pytest.approx([3.158794, 3.151430, 3.143890], abs=1e-6)


def test_batches_of_gears_scatter_unequally_by_the_published_statistic() -> None:
    """e-Handbook 1.3.5.7: Bartlett's statistic of ten batches of ten gears is 20.786 (critical 16.919)."""
    batches: dict[str, list[float]] = defaultdict(list)
    for row in table("nist_gear_diameter.csv"):
        batches[row["batch"]].append(float(row["diameter_in"]))

    statistic, p = spreads_alike([standard_deviation(batch) for batch in batches.values()], [9] * 10)

    assert statistic == pytest.approx(20.786, abs=5e-4)
    assert p == pytest.approx(0.0136, abs=5e-4)


def test_a_check_standard_has_its_published_two_levels() -> None:
    """e-Handbook 2.6.2: s1 = 0.06139 with 125 degrees of freedom, s2 = 0.02680 with 24."""
    rows = table("nist_resistivity_check_standard.csv")

    sd, degrees = pooled([float(row["sd6"]) for row in rows], [int(row["df"]) for row in rows])
    means = [float(row["value_ohmcm"]) for row in rows]

    assert (round(sd, 5), degrees) == (0.06139, 125)
    assert round(standard_deviation(means), 5) == 0.02680
    assert between_occasions(means, sd, repeats=6) == pytest.approx((0.02680**2 - 0.06139**2 / 6) ** 0.5, abs=2e-4)
