"""The uncertainty budget of a reading."""

from decimal import Decimal
from math import sqrt

import pytest

from feedback.metrology.budget import Budget, Known, Source, feature_budget, largest, missing, rounded_up, within
from feedback.metrology.temperature import Warmth, expansion_uncertainty

FULL = Known(
    calibration_um=0.8,
    repeat_sd_um=0.6,
    repeat_degrees=9,
    resolution_um=1.0,
    form_um=3.0,
    warmth=expansion_uncertainty(25_000.0, Warmth(part_cte=23.6e-6, part_c=22.4)),
)


def test_a_feature_has_its_budget_as_a_table() -> None:
    """Largest source first, shares that add to the whole, and an expanded uncertainty with its factor."""
    table = feature_budget(FULL).table()

    assert [row["quantity"] for row in table["sources"]] == [
        "form", "repeatability", "calibration", "temperature", "expansion",
    ]  # fmt: skip
    assert sum(row["share"] for row in table["sources"]) == pytest.approx(1.0)
    parts = (1.5 / sqrt(3), 0.6, 0.4, 0.59 / sqrt(3), 0.1416 / sqrt(3))
    assert table["combined"] == pytest.approx(sqrt(sum(part**2 for part in parts)))
    assert table["expanded"] == pytest.approx(table["coverage_factor"] * table["combined"])
    assert 1.96 < table["coverage_factor"] < 2.01


def test_the_step_of_the_display_counts_only_where_repeats_hide_in_it() -> None:
    """Ten equal readings in whole 2 um steps: the step speaks; with visible scatter, the scatter does."""
    coarse = feature_budget(Known(repeat_sd_um=0.0, repeat_degrees=9, resolution_um=2.0))
    fine = feature_budget(Known(repeat_sd_um=0.9, repeat_degrees=9, resolution_um=2.0))

    assert [row["quantity"] for row in coarse.rows()] == ["resolution"]
    assert coarse.combined == pytest.approx(2 / sqrt(12))
    assert [row["quantity"] for row in fine.rows()] == ["repeatability"]


def test_few_repeats_widen_the_expanded_uncertainty() -> None:
    """Ten touches know their scatter badly: k is 2.26, not 2."""
    assert feature_budget(Known(repeat_sd_um=1.0, repeat_degrees=9)).coverage_factor() == pytest.approx(2.262, abs=5e-4)


def test_what_nobody_knows_is_said_not_assumed() -> None:
    """A budget without an artefact lacks its calibration, in words."""
    words = missing(Known(repeat_sd_um=0.6))

    assert [word.split(":")[0] for word in words] == ["calibration", "form", "temperature"]
    assert missing(FULL) == []


def test_an_empty_budget_is_nothing() -> None:
    """Nothing known gives no uncertainty rather than an error."""
    empty = feature_budget(Known())

    assert (empty.combined, empty.rows()) == (0.0, [])
    assert empty.table()["effective_degrees"] is None


@pytest.mark.parametrize(("value", "stated"), [(2.8412, "2.9"), (0.0, "0"), (31.664, "32"), (0.0408, "0.041")])
def test_an_uncertainty_is_stated_with_two_figures_rounded_up(value: float, stated: str) -> None:
    """Nobody needs nanometres of an uncertainty, and rounding never flatters it."""
    assert rounded_up(value) == Decimal(stated)


def test_the_sources_that_matter_are_named() -> None:
    """Where a better study would help."""
    assert largest(feature_budget(FULL)) == ["form", "repeatability"]


def test_half_widths_become_standard_uncertainties() -> None:
    """Rectangular, triangular and arcsine (JCGM 100, 4.3.7, 4.3.9; an arcsine for a cycling temperature)."""
    found = [within(1.0, kind) for kind in ("rectangular", "triangular", "arcsine")]

    assert found == pytest.approx([3**-0.5, 6**-0.5, 2**-0.5])


def test_a_bias_that_is_known_but_not_corrected_counts() -> None:
    """A probe that reads the ring 1 um big in the mean carries it in its uncertainty."""
    assert feature_budget(Known(bias_um=-1.0)).combined == pytest.approx(1 / sqrt(3))


def test_sensitivity_carries_a_source_into_the_result() -> None:
    """A radius that is wrong by 1 um makes a diameter wrong by 2."""
    radius = Source(quantity="radius", value=0, unit="um", distribution="normal", u=1.0, sensitivity=-2.0)

    assert Budget(sources=(radius,)).combined == 2.0
