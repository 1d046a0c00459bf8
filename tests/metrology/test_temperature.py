"""Readings taken off 20 degC."""

from math import sqrt

import pytest

from feedback.metrology.temperature import Warmth, at_reference_um, expansion_um, expansion_uncertainty


def test_a_part_at_twenty_degrees_is_left_alone() -> None:
    """Nothing to correct at the reference temperature, but the thermometer may still be wrong."""
    warmth = Warmth(part_cte=23.6e-6, part_c=20.0)

    assert at_reference_um(3.0, 100_000.0, warmth) == 3.0
    assert expansion_uncertainty(100_000.0, warmth).cte_um == 0.0
    assert expansion_uncertainty(100_000.0, warmth).temperature_um == pytest.approx(2.36 / sqrt(3))


def test_a_warm_aluminium_part_that_reads_big_is_on_size() -> None:
    """100 mm at 25 degC reads 11.8 um too big and is good."""
    assert at_reference_um(11.8, 100_000.0, Warmth(part_cte=23.6e-6, part_c=25.0)) == pytest.approx(0.0, abs=1e-9)


def test_a_cold_part_reads_small() -> None:
    """In a winter morning's shop at 12 degC the same part reads 18.9 um too small."""
    assert expansion_um(100_000.0, Warmth(part_cte=23.6e-6, part_c=12.0)) == pytest.approx(-18.88)


def test_part_and_scales_of_one_material_and_temperature_hide_it_all() -> None:
    """A steel part on steel scales as warm as itself reads its size at 20 degC."""
    warmth = Warmth(part_cte=11.5e-6, part_c=28.0, scale_cte=11.5e-6, scale_c=28.0)

    assert expansion_um(200_000.0, warmth) == 0.0
    assert expansion_uncertainty(200_000.0, warmth).temperature_um == 0.0
    assert expansion_uncertainty(200_000.0, warmth).cte_um == pytest.approx(0.1 * sqrt(2) * 18.4 / sqrt(3))


def test_what_the_correction_leaves_is_stated() -> None:
    """A kelvin of doubt and a tenth of the coefficient: 1.36 and 0.68 um on 100 mm of aluminium at 25 degC."""
    found = expansion_uncertainty(100_000.0, Warmth(part_cte=23.6e-6, part_c=25.0))

    assert (found.temperature_um, found.cte_um) == pytest.approx((2.36 / sqrt(3), 1.18 / sqrt(3)))
    assert found.combined_um == pytest.approx(sqrt((2.36**2 + 1.18**2) / 3))
