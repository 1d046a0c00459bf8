"""Lengths, angles, shares, times: exact decimals that always carry their unit.

Configuration is written by people, so a bare number is refused there ("0.02" of what?). Values inside the tool are
`Decimal` millimetres or degrees until they enter the trend filter, which works in micrometres (or millidegrees).
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal

LengthUnit = Literal["mm", "inch"]
Unit = Literal["mm", "deg"]

MM_PER_INCH: Final = Decimal("25.4")  # exact by definition (international inch, 1959)

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
_QUANTITY = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>[^\s\d.,+-].*?)?\s*")

_LENGTHS: Final[dict[str, Decimal]] = {
    "mm": Decimal(1),
    "um": Decimal("0.001"),
    "µm": Decimal("0.001"),
    "μm": Decimal("0.001"),
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
}
_ANGLES: Final[dict[str, Decimal]] = {"deg": Decimal(1)}
_SHARES: Final[dict[str, Decimal]] = {"%": Decimal("0.01")}
_TIMES: Final[dict[str, Decimal]] = {
    "s": Decimal(1),
    "min": Decimal(60),
    "h": Decimal(3600),
    "d": Decimal(86400),
}
_COUNTS: Final[dict[str, Decimal]] = {"parts": Decimal(1), "part": Decimal(1)}
_EXPANSIONS: Final[dict[str, Decimal]] = {"/K": Decimal(1)}
_TEMPERATURES: Final[dict[str, Decimal]] = {"degC": Decimal(1)}

_KINDS: Final[dict[str, dict[str, Decimal]]] = {
    "length": _LENGTHS,
    "angle": _ANGLES,
    "share": _SHARES,
    "time": _TIMES,
    "parts": _COUNTS,
    "expansion": _EXPANSIONS,
    "temperature": _TEMPERATURES,
}
_WANTED: Final = {
    "length": 'a length such as "0.020 mm" or "0.0008 in"',
    "angle": 'an angle such as "0.010 deg"',
    "share": 'a share such as "30 %"',
    "time": 'a time such as "8 h"',
    "parts": 'a number of parts such as "10 parts"',
    "expansion": 'an expansion coefficient such as "11.5e-6 /K"',
    "temperature": 'a temperature such as "22 degC"',
}

QuantityKind = Literal["length", "angle", "share", "time", "parts", "expansion", "temperature"]


class QuantityError(ValueError):
    """A quantity that cannot be understood; the message says what was found and what was wanted."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in the base unit of its kind: mm, deg, 1 (shares), s, parts, 1/K, degC."""

    kind: QuantityKind
    value: Decimal


def quantity(text: object, *kinds: QuantityKind) -> Quantity:
    """The exact quantity written in `text`, which must be of one of `kinds`.

    Raises QuantityError for anything else: a bare number, a decimal comma, an unknown unit, nan or infinity.
    """
    wanted = " or ".join(_WANTED[kind] for kind in kinds)
    if not isinstance(text, str):
        raise QuantityError(f"found {text!r} without a unit; wanted {wanted}")
    if re.search(r"\d,\d", text):
        raise QuantityError(f"found {text!r}; decimals use a point; wanted {wanted}")
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise QuantityError(f"found {text!r}; wanted {wanted}")
    if match["unit"] is None:
        raise QuantityError(f"found {text!r} without a unit; wanted {wanted}")
    for kind in kinds:
        factor = _KINDS[kind].get(match["unit"])
        if factor is not None:
            return Quantity(kind, Decimal(match["number"]) * factor)
    raise QuantityError(f"found {text!r} with unit {match['unit']!r}; wanted {wanted}")


def length_mm(text: object) -> Decimal:
    """The length written in `text`, in millimetres."""
    return quantity(text, "length").value


def to_mm(value: Decimal, unit: LengthUnit) -> Decimal:
    """`value` in millimetres, exactly."""
    return value * MM_PER_INCH if unit == "inch" else value


def from_mm(value_mm: Decimal, unit: LengthUnit) -> Decimal:
    """`value_mm` in `unit`; inch values are exact whenever they have at most six decimals."""
    return value_mm / MM_PER_INCH if unit == "inch" else value_mm


def plain(value: Decimal) -> str:
    """`value` written without an exponent and without trailing zeros: 0.0120 -> 0.012, -0.000 -> 0."""
    text = f"{value:f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
