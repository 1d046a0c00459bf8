"""What temperature adds to a length, taken off again: ISO 1 states every length at 20 degC.

A part of size L at T_p, read by scales at T_s, reads L (alpha_p (T_p - 20) - alpha_s (T_s - 20)) too big (first order;
the second order is below 0.1 % of it within 40 K). A control that compensates its scales, or scales that hold 20 degC,
has alpha_s = 0. Lengths in micrometres.
"""

from dataclasses import dataclass
from math import sqrt
from typing import Final

REFERENCE_C: Final = 20.0  # ISO 1:2016, clause 3
TEMPERATURE_HALF_WIDTH_K: Final = 1.0  # rectangular: contact thermometer and part not even (common practice)
CTE_HALF_SHARE: Final = 0.10  # rectangular: +-10 % of the coefficient, as +-1e-6 of 11.5e-6 (GUM, H.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Warmth:
    """Part and scales: expansion coefficients per kelvin and temperatures in degC. Half-widths are rectangular."""

    part_cte: float
    part_c: float
    scale_cte: float = 0.0
    scale_c: float = REFERENCE_C
    half_width_k: float = TEMPERATURE_HALF_WIDTH_K
    cte_half_share: float = CTE_HALF_SHARE


def expansion_um(size_um: float, warmth: Warmth) -> float:
    """How much too big a reading of this size is: size x (alpha_p (T_p - 20) - alpha_s (T_s - 20))."""
    part = warmth.part_cte * (warmth.part_c - REFERENCE_C)
    scale = warmth.scale_cte * (warmth.scale_c - REFERENCE_C)
    return size_um * (part - scale)


def at_reference_um(deviation_um: float, size_um: float, warmth: Warmth) -> float:
    """The deviation the part has at 20 degC: the reading's less the expansion."""
    return deviation_um - expansion_um(size_um, warmth)


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmthUncertainty:
    """Standard uncertainties that temperature leaves in a corrected length, by source, in micrometres."""

    temperature_um: float
    cte_um: float

    @property
    def combined_um(self) -> float:
        return sqrt(self.temperature_um**2 + self.cte_um**2)


def expansion_uncertainty(size_um: float, warmth: Warmth) -> WarmthUncertainty:
    """What is left after the correction: temperatures and coefficients are known within half-widths.

    u_T = L (alpha_p - alpha_s) a / sqrt(3) where one thermometer stands for both (same reading, scales not
    compensated), L alpha_p a / sqrt(3) otherwise; u_alpha = L |T - 20| x share of alpha / sqrt(3) for part and scale.
    Source: JCGM 100:2008, 4.3.7 (rectangular) and H.1 (the model).
    """
    part_k, scale_k = warmth.part_c - REFERENCE_C, warmth.scale_c - REFERENCE_C
    shared = warmth.part_c == warmth.scale_c
    cte = abs(warmth.part_cte - warmth.scale_cte) if shared else sqrt(warmth.part_cte**2 + warmth.scale_cte**2)
    unsure = sqrt((warmth.part_cte * part_k) ** 2 + (warmth.scale_cte * scale_k) ** 2) * warmth.cte_half_share
    return WarmthUncertainty(
        temperature_um=size_um * cte * warmth.half_width_k / sqrt(3), cte_um=size_um * unsure / sqrt(3)
    )
