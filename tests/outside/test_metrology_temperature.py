"""Expansion against handbook coefficients and worked lengths."""

from decimal import Decimal

import pytest

from feedback.configuration.materials import expansion_of
from feedback.metrology.temperature import Warmth, expansion_um

# Callister, Materials Science and Engineering, appendix B, table B.6, in 1e-6 per K; carbides: ASM, Thermal Properties
# of Metals, chapter 2, table 2.2; gauge steel: GUM, H.1.
HANDBOOK = {
    "steel 1020": "11.7",
    "steel 4140": "12.3",
    "steel 4340": "12.3",
    "stainless 304": "17.2",
    "stainless 440A": "10.2",
    "grey iron G3000": "11.4",
    "aluminium 6061": "23.6",
    "aluminium 7075": "23.4",
    "aluminium 2024": "22.9",
    "Ti-6Al-4V": "8.6",
    "cartridge brass C26000": "19.9",
    "free-cutting brass C36000": "20.5",
    "Invar": "1.6",
    "carbide 94WC-6Co": "4.3",
    "carbide 90WC-10Co": "5.2",
    "gauge steel": "11.5",
}


@pytest.mark.parametrize("material", HANDBOOK)
def test_materials_expand_as_the_handbooks_say(material: str) -> None:
    """A plan that names its material gets the published coefficient."""
    assert expansion_of(material) == Decimal(f"{HANDBOOK[material]}e-6")


@pytest.mark.parametrize(
    ("size_mm", "warmth", "expected_um"),
    [
        (100, Warmth(part_cte=11.5e-6, part_c=25.0), 5.75),
        (100, Warmth(part_cte=23.6e-6, part_c=25.0), 11.8),
        (50, Warmth(part_cte=11.5e-6, part_c=23.0), 1.725),
        (200, Warmth(part_cte=23.6e-6, part_c=28.0, scale_cte=11.5e-6, scale_c=28.0), 19.36),
    ],
)
def test_worked_lengths(size_mm: float, warmth: Warmth, expected_um: float) -> None:
    """Steel, aluminium, a ring gauge, and an aluminium part against steel scales at 28 degC (plain arithmetic)."""
    assert expansion_um(size_mm * 1000, warmth) == pytest.approx(expected_um, abs=1e-9)
