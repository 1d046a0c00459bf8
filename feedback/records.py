"""What a control's log says, line by line. Values are millimetres or degrees, times carry their zone.

Radius registers are radius-valued here whatever the machine stores; the reader has already applied that machine fact.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from feedback.registers import Register


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Anything one line says; `line` counts from 1 in its stream.

    `part` and `plan` are those of the part the line belongs to, None outside a part.
    `at` is the line's own time, else its part's, else None: the log printed none.
    """

    line: int
    part: str | None = None
    plan: str | None = None
    at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PartBegin(Record):
    """A part begins. What follows belongs to it until its end or the next part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartEnd(Record):
    """The part is complete. `stated` is False where the next part cut it short or the layout has no end mark."""

    stated: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading(Record):
    """One probed feature. Optional values are None when the log did not print them."""

    feature: str
    actual: Decimal
    nominal: Decimal | None = None
    lower: Decimal | None = None
    upper: Decimal | None = None
    tool: int | None = None
    temperature_c: Decimal | None = None
    inch: bool = False  # the log's numbers were inches; an angle among them has been multiplied by 25.4 like the rest


@dataclass(frozen=True, slots=True, kw_only=True)
class Miss(Record):
    """The probe did not trigger on this feature."""

    feature: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterReadback(Record):
    """The control printed what a register holds."""

    register: Register
    value: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class NewTool(Record):
    """A new tool or edge stands in this position."""

    tool: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SetterReading(Record):
    """A tool-setter measurement; radius is radius-valued."""

    tool: int
    length: Decimal | None = None
    radius: Decimal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ArtefactReading(Record):
    """A check on a certified artefact."""

    artefact: str
    actual: Decimal
    x: Decimal | None = None
    y: Decimal | None = None
    temperature_c: Decimal | None = None
    probe: int | None = None  # None: the machine's usual one


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeCalibration(Record):
    """Values a probe calibration left in the control, by the log's own words (RXP, OFFX, LENGTH, BALL, ...).

    A word without a value is kept as None: an empty calibration value is a finding of its own.
    """

    probe: int
    values: Mapping[str, Decimal | None]
    artefact: str | None = None  # what it was calibrated on, where the log says so


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat(Record):
    """One touch of a repeatability study; `x` and `y` are where the probe touched, where the log states it."""

    artefact: str
    point: int
    actual: Decimal
    x: Decimal | None = None
    y: Decimal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreadable(Record):
    """A line that could not be understood: kept whole, with the column (from 1) and the reason."""

    column: int
    text: str
    reason: str
