"""What a warm part adds to a reading, and whether the temperature can be believed. Pure; exact millimetres.

Sizes are stated at 20 degC (ISO 1:2016, clause 3). A part at T, read by scales as warm as it, reads
length x (alpha_part - alpha_scale) x (T - 20) too big; scales that hold 20 degC or are compensated have no alpha.
"""

from decimal import Decimal
from typing import Final

from feedback.configuration.facts import Feature, Machine
from feedback.trust import Doubt
from feedback.units import plain

REFERENCE_C: Final = Decimal(20)
COLDEST_C: Final = Decimal(5)  # no shop measures parts colder or hotter; catches degrees Fahrenheit, a dead thermometer
HOTTEST_C: Final = Decimal(50)

_NOTHING = Decimal(0)


def expansion(
    feature: Feature, part_cte: Decimal | None, printed_c: Decimal | None, machine: Machine
) -> Decimal | Doubt:
    """How much too big (mm) this feature reads; zero where the machine compensates, or temperature or material are
    not known. A Doubt where the printed temperature cannot be true."""
    if part_cte is None or machine.temperature == "compensated" or not feature.expands_mm:
        return _NOTHING
    at_c = printed_c
    if at_c is None:
        if not isinstance(machine.temperature, Decimal):
            return _NOTHING
        at_c = machine.temperature
    if not COLDEST_C <= at_c <= HOTTEST_C:
        return Doubt("temperature", _unbelievable(feature, at_c))
    return feature.expands_mm * (part_cte - (machine.scale_cte_per_k or 0)) * (at_c - REFERENCE_C)


def _unbelievable(feature: Feature, at_c: Decimal) -> str:
    return (
        f"the log states {plain(at_c)} degC for feature {feature.id}; wanted {COLDEST_C} to {HOTTEST_C} degC:"
        ' check the thermometer and its unit, or state temperature = "compensated" for the machine'
    )
