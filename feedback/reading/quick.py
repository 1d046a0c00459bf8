"""The short way for the line of which logs mostly consist: a well-formed reading in the order in which it is described.

It gives exactly what the long way (`feedback.reading.pairs`, `feedback.reading.forms`) gives, or nothing, and then the
line goes the long way.
"""

import re
from decimal import Decimal
from typing import Any, Final, TypeVar

from feedback.reading.values import Dial, Place
from feedback.reading.vocabulary import KNOWN
from feedback.records import Reading
from feedback.units import MM_PER_INCH

AnyFrozen = TypeVar("AnyFrozen")

_NUMBER: Final = r"([+-]?[0-9]{1,7}(?:\.[0-9]{0,7})?)"
_GAP: Final = " {1,99}"
_FORM: Final = (
    rf" {{0,99}}FEATURE{_GAP}([!-'*+\-./0-<>-~]{{1,64}}){_GAP}ACTUAL{_GAP}{_NUMBER}"
    rf"(?:{_GAP}NOMINAL{_GAP}{_NUMBER})?(?:{_GAP}LOWER{_GAP}{_NUMBER})?(?:{_GAP}UPPER{_GAP}{_NUMBER})?"
    rf"(?:{_GAP}TOOL{_GAP}([0-9]{{1,9}}))?(?:{_GAP}TEMP{_GAP}{_NUMBER})? {{0,99}}\r?"
)
_fits = re.compile(_FORM).fullmatch
_fits_in_any_case = re.compile(_FORM, re.IGNORECASE | re.ASCII).fullmatch
_WORDS: Final = KNOWN["FEATURE"]


def unfinished(frozen: type[AnyFrozen]) -> type[Any]:
    """A class laid out like the frozen slotted dataclass `frozen`: fill an instance in, then make it one of `frozen`.

    The constructor of a frozen dataclass takes 3 us for a dozen fields, which is most of the time a line may take.
    """
    body = {"__slots__": frozen.__dict__["__slots__"], "__setattr__": object.__setattr__, "__init__": object.__init__}
    return type(f"Unfinished{frozen.__name__}", frozen.__bases__, body)


_Unfinished = unfinished(Reading)


def quick_reading(text: str, place: Place, dial: Dial) -> Reading | None:
    """The reading of a line that needs no second look, else None. `place` is the line's own."""
    fit = _fits(text) or _fits_in_any_case(text)
    if fit is None or place.part is None:
        return None
    feature, actual, nominal, lower, upper, tool, temperature = fit.groups()
    if feature in _WORDS or feature.upper() in _WORDS:
        return None
    inch = (place.unit or dial.unit) == "inch"
    reading: Any = _Unfinished()
    reading.line = place.line
    reading.part = place.part
    reading.plan = place.plan
    reading.at = place.at
    reading.feature = feature
    reading.actual = Decimal(actual) * MM_PER_INCH if inch else Decimal(actual)
    reading.nominal = _length(nominal, inch)
    reading.lower = _length(lower, inch)
    reading.upper = _length(upper, inch)
    reading.tool = None if tool is None else int(tool)
    reading.temperature_c = None if temperature is None else Decimal(temperature)
    reading.inch = inch
    reading.__class__ = Reading
    return reading  # type: ignore[no-any-return]


def _length(text: str | None, inch: bool) -> Decimal | None:
    if text is None:
        return None
    return Decimal(text) * MM_PER_INCH if inch else Decimal(text)
