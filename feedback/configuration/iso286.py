"""Limit deviations of ISO 286 tolerance classes for sizes up to 500 mm, from tables.

The formulas of the standard do not give the standard's own rounded values (26 of 104 standard tolerances differ), so
nothing here is computed from the size. Classes that the tables do not hold are refused; limits can be stated instead.
"""

import re
from bisect import bisect_left
from collections.abc import Mapping
from decimal import Decimal
from typing import Final

MM_PER_UM: Final = Decimal("0.001")
GRADES: Final = range(5, 12)

_CLASS = re.compile(r"([A-Za-z]{1,2})(\d{1,2})")

# A size belongs to the step "over a, up to and including b"; these are the b.
_STEPS: Final = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)

# Standard tolerances in micrometres, one column for each step: ISO 286-1:2010 table 1, read in two published reprints.
_TOLERANCE: Final[Mapping[int, tuple[int, ...]]] = {
    4: (3, 4, 4, 5, 6, 7, 8, 10, 12, 14, 16, 18, 20),
    5: (4, 5, 6, 8, 9, 11, 13, 15, 18, 20, 23, 25, 27),
    6: (6, 8, 9, 11, 13, 16, 19, 22, 25, 29, 32, 36, 40),
    7: (10, 12, 15, 18, 21, 25, 30, 35, 40, 46, 52, 57, 63),
    8: (14, 18, 22, 27, 33, 39, 46, 54, 63, 72, 81, 89, 97),
    9: (25, 30, 36, 43, 52, 62, 74, 87, 100, 115, 130, 140, 155),
    10: (40, 48, 58, 70, 84, 100, 120, 140, 160, 185, 210, 230, 250),
    11: (60, 75, 90, 110, 130, 160, 190, 220, 250, 290, 320, 360, 400),
}

# Distance of the shaft's zone from the nominal size in micrometres: ISO 286-1:2010 tables 4 and 5, read in reprints of
# BS 4500:1969 table 6 and JIS B 0401:1999 and in a textbook of machine drawing; no two of them disagree.
_BELOW: Final[Mapping[str, tuple[int, ...]]] = {  # the upper deviation es is minus this
    "d": (20, 30, 40, 50, 65, 80, 100, 120, 145, 170, 190, 210, 230),
    "e": (14, 20, 25, 32, 40, 50, 60, 72, 85, 100, 110, 125, 135),
    "f": (6, 10, 13, 16, 20, 25, 30, 36, 43, 50, 56, 62, 68),
    "g": (2, 4, 5, 6, 7, 9, 10, 12, 14, 15, 17, 18, 20),
    "h": (0,) * 13,
}
_ABOVE: Final[Mapping[str, tuple[int, ...]]] = {  # the lower deviation ei is plus this
    "k": (0, 1, 1, 1, 2, 2, 2, 3, 3, 4, 4, 4, 5),
    "m": (2, 4, 6, 7, 8, 9, 11, 13, 15, 17, 20, 21, 23),
    "n": (4, 8, 10, 12, 15, 17, 20, 23, 27, 31, 34, 37, 40),
    "p": (6, 12, 15, 18, 22, 26, 32, 37, 43, 50, 56, 62, 68),
}
# From 50 mm on, r and s have finer steps.
_FINE_STEPS: Final = (
    3, 6, 10, 18, 30, 50, 65, 80, 100, 120, 140, 160, 180, 200, 225, 250, 280, 315, 355, 400, 450, 500,
)  # fmt: skip
_ABOVE_FINE: Final[Mapping[str, tuple[int, ...]]] = {
    "r": (10, 15, 19, 23, 28, 34, 41, 43, 51, 54, 63, 65, 68, 77, 80, 84, 94, 98, 108, 114, 126, 132),
    "s": (14, 19, 23, 28, 35, 43, 53, 59, 71, 79, 92, 100, 108, 122, 130, 140, 158, 170, 190, 208, 232, 252),
}
_LETTERS: Final = ("js", *_BELOW, *_ABOVE, *_ABOVE_FINE)
_M6_OVER_250_TO_315: Final = -9  # the standard's own exception; the rule would give -11


def limit_deviations(nominal_mm: Decimal, name: str) -> tuple[Decimal, Decimal]:
    """Lower and upper limit deviation in mm of class `name` at `nominal_mm`: upper case for holes, lower for shafts.

    Raises ValueError for a class or size that the tables do not hold.
    """
    letter, grade = _parsed(name)
    if not 0 < nominal_mm <= _STEPS[-1]:
        raise _refused(name, f"the table ends at {_STEPS[-1]} mm")
    tolerance = _TOLERANCE[grade][_step(nominal_mm)]
    if letter.lower() == "js":
        half = Decimal(tolerance) / 2
        return -half * MM_PER_UM, half * MM_PER_UM
    lower = _hole_lower(letter, grade, nominal_mm) if letter.isupper() else _shaft_lower(letter, grade, nominal_mm)
    return lower * MM_PER_UM, (lower + tolerance) * MM_PER_UM


def _parsed(name: str) -> tuple[str, int]:
    match = _CLASS.fullmatch(name)
    letter = match[1] if match else ""
    if match is None or letter.lower() not in _LETTERS or letter not in (letter.lower(), letter.upper()):
        known = f"{' '.join(letter.upper() for letter in _LETTERS)} for holes, {' '.join(_LETTERS)} for shafts"
        raise _refused(name, f"the table holds {known}")
    if int(match[2]) not in GRADES:
        raise _refused(name, f"the table holds grades {GRADES[0]} to {GRADES[-1]}")
    return letter, int(match[2])


def _refused(name: str, reason: str) -> ValueError:
    return ValueError(f'found {name!r}; {reason}; state the limits instead, such as ["-0.010 mm", "+0.015 mm"]')


def _step(nominal_mm: Decimal) -> int:
    return bisect_left(_STEPS, nominal_mm)


def _above(letter: str, nominal_mm: Decimal) -> int:
    if letter in _ABOVE_FINE:
        return _ABOVE_FINE[letter][bisect_left(_FINE_STEPS, nominal_mm)]
    return _ABOVE[letter][_step(nominal_mm)]


def _shaft_lower(letter: str, grade: int, nominal_mm: Decimal) -> int:
    if letter in _BELOW:
        return -_BELOW[letter][_step(nominal_mm)] - _TOLERANCE[grade][_step(nominal_mm)]
    if letter == "k" and grade > 7:  # the standard gives 0 outside grades 4 to 7
        return 0
    return _above(letter, nominal_mm)


def _hole_lower(letter: str, grade: int, nominal_mm: Decimal) -> int:
    if letter.lower() in _BELOW:  # the mirror image of the shaft
        return _BELOW[letter.lower()][_step(nominal_mm)]
    return _hole_upper(letter, grade, nominal_mm) - _TOLERANCE[grade][_step(nominal_mm)]


def _hole_upper(letter: str, grade: int, nominal_mm: Decimal) -> int:
    """The mirror image of the shaft, which fine grades lift by their difference to the next finer grade (ISO 286-1)."""
    step = _step(nominal_mm)
    if letter == "K" and grade > 8:
        raise _refused(f"K{grade}", "the standard gives K up to grade 8")
    if letter == "N" and grade > 8 and step > 0:
        return 0
    if letter == "N" and grade > 8 and nominal_mm <= 1:
        raise _refused(f"N{grade}", "the standard gives it over 1 mm only")
    if (letter, grade, _STEPS[step]) == ("M", 6, 315):
        return _M6_OVER_250_TO_315
    is_lifted = grade <= (8 if letter in "KMN" else 7) and step > 0
    lift = _TOLERANCE[grade][step] - _TOLERANCE[grade - 1][step] if is_lifted else 0
    return lift - _above(letter.lower(), nominal_mm)
