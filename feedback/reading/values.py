"""The values of one line's words, exact, in millimetres and degrees."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Final

from feedback.reading.dates import Moments
from feedback.reading.misread import MisreadError
from feedback.units import MM_PER_INCH, LengthUnit

HALF: Final = Decimal("0.5")

# At most 15 digits: then every conversion below is exact in Python's 28-digit decimals.
_NUMBER: Final = re.compile(r"[+-]?(?=\.?[0-9])(?=[0-9.]{1,16}\Z)[0-9]{0,15}(?:\.[0-9]{0,15})?")
_WHOLE: Final = re.compile(r"([0-9]{1,9})(?:\.0*)?")  # some controls print every variable with a point
_fits_number = _NUMBER.fullmatch
_fits_whole = _WHOLE.fullmatch


@dataclass(slots=True)
class Place:
    """Where the next record stands: its line, and the open part with what it stated for all its lines."""

    line: int = 0
    part: str | None = None
    plan: str | None = None
    at: datetime | None = None
    unit: LengthUnit | None = None
    lost: int | None = None  # the line on which a part began that could not be read; None: no such part is open


@dataclass(frozen=True, slots=True)
class Dial:
    """What must be known of a machine to read its numbers."""

    unit: LengthUnit
    radius_is_diameter: bool
    moments: Moments


class Words:
    """One line's words and their values; methods raise MisreadError for a value that is not what its word wants."""

    __slots__ = ("at", "dial", "inch", "place", "values")

    def __init__(self, values: Mapping[str, str], place: Place, dial: Dial) -> None:
        self.values = values
        self.place = place
        self.dial = dial
        unit = self._unit() if "UNIT" in values else place.unit
        self.inch = (unit or dial.unit) == "inch"
        self.at = self._moment() if "DATE" in values or "TIME" in values else place.at

    def number(self, word: str) -> Decimal:
        text = self.values[word]
        if _fits_number(text) is None:
            raise MisreadError(f"{word}: {_no_number(text)}; wanted a number such as 24.9987", word=word)
        return Decimal(text)

    def length(self, word: str) -> Decimal:
        """The word's bare number in mm."""
        text = self.values[word]
        if _fits_number(text) is None:
            raise MisreadError(f"{word}: {_no_number(text)}; wanted a number such as 24.9987", word=word)
        return Decimal(text) * MM_PER_INCH if self.inch else Decimal(text)

    def maybe_length(self, word: str) -> Decimal | None:
        return self.length(word) if word in self.values else None

    def maybe_number(self, word: str) -> Decimal | None:
        return self.number(word) if word in self.values else None

    def whole(self, word: str) -> int:
        fit = _fits_whole(self.values[word])
        if fit is None:
            raise MisreadError(f"{word}: found {self.values[word]!r}; wanted a whole number such as 5", word=word)
        return int(fit[1])

    def maybe_radius(self) -> Decimal | None:
        """The line's radius, radius-valued: the machine may print diameters under the word RADIUS."""
        values = self.values
        if "DIAMETER" in values:
            if "RADIUS" in values:
                raise MisreadError("found both RADIUS and DIAMETER; wanted one of them", word="DIAMETER")
            return self.length("DIAMETER") * HALF
        if "RADIUS" not in values:
            return None
        radius = self.length("RADIUS")
        return radius * HALF if self.dial.radius_is_diameter else radius

    def unit(self) -> LengthUnit | None:
        """The unit this line states, if it does."""
        return self._unit() if "UNIT" in self.values else None

    def _unit(self) -> LengthUnit:
        match self.values["UNIT"].lower():
            case "mm":
                return "mm"
            case "inch":
                return "inch"
        raise MisreadError(f"UNIT: found {self.values['UNIT']!r}; wanted mm or inch", word="UNIT")

    def _moment(self) -> datetime:
        values = self.values
        if "TIME" not in values:
            raise MisreadError("found DATE without TIME; wanted both or neither", word="DATE")
        if "DATE" not in values:
            raise MisreadError("found TIME without DATE; wanted both or neither", word="TIME")
        return self.dial.moments(values["DATE"], values["TIME"])


def _no_number(text: str) -> str:
    """What is wrong with `text` as a number, in words."""
    if re.search(r"\d,|,\d", text):
        return f"found {text!r}; decimals use a point"
    if text.lower().lstrip("+-") in ("nan", "inf", "infinity"):
        return f"found {text!r}, which no probe can measure"
    if sum(character.isdigit() for character in text) > 15:
        return f"found {text!r}, which has more than 15 digits"
    if re.search("[A-Za-z]", text) and re.search(r"\d", text):
        return f"found {text!r}, a number with letters in it"
    return f"found {text!r}"
