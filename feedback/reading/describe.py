"""Says in plain words how a line was understood."""

from datetime import datetime
from decimal import Decimal

from feedback.records import (
    ArtefactReading,
    Miss,
    NewTool,
    PartBegin,
    PartEnd,
    ProbeCalibration,
    Reading,
    Record,
    RegisterReadback,
    Repeat,
    SetterReading,
    Unreadable,
)
from feedback.units import plain


def describe(record: Record) -> str:
    """One line of plain words: what `record` says, its values in mm, degrees or degC. Never fails for any record."""
    match record:
        case PartBegin():
            return f"part {record.part}{_of_plan(record.plan)} begins{_at(record.at)}"
        case PartEnd():
            return f"part {record.part} ends" + ("" if record.stated else ", cut short: no end was stated")
        case Reading():
            return _reading(record)
        case Miss():
            return f"feature {record.feature} was missed: the probe did not trigger"
        case RegisterReadback():
            return f"register {record.register} holds {plain(record.value)} {record.register.unit}"
        case NewTool():
            return f"a new tool or edge stands in position {record.tool}{_at(record.at)}"
        case SetterReading():
            return f"tool {record.tool} measured on the setter:{_values(length=record.length, radius=record.radius)}"
        case ArtefactReading():
            centre = _values(x=record.x, y=record.y)
            probe = "" if record.probe is None else f" with probe {record.probe}"
            size = f"{plain(record.actual)} mm{centre}{_warm(record.temperature_c)}"
            return f"artefact {record.artefact} reads {size}{probe}"
        case ProbeCalibration():
            on = "" if record.artefact is None else f" on {record.artefact}"
            return f"probe {record.probe} was calibrated{on}:{_calibrated(record)}{_at(record.at)}"
        case Repeat():
            return f"repeat on {record.artefact}, point {record.point}: {plain(record.actual)} mm"
        case Unreadable():
            return f"not understood, column {record.column}: {record.reason}"
    return type(record).__name__


def _reading(reading: Reading) -> str:
    stated = _values(nominal=reading.nominal, lower=reading.lower, upper=reading.upper)
    tool = f" tool {reading.tool}" if reading.tool is not None else ""
    inch = " (printed in inch)" if reading.inch else ""
    return (
        f"feature {reading.feature} of part {reading.part} reads {plain(reading.actual)}{inch}"
        f"{_warm(reading.temperature_c)}" + (f", stated:{stated}{tool}" if stated or tool else "")
    )


def _values(**values: Decimal | None) -> str:
    return "".join(f" {name} {plain(value)}" for name, value in values.items() if value is not None)


def _calibrated(calibration: ProbeCalibration) -> str:
    return "".join(
        f" {word} {'empty' if value is None else plain(value)}" for word, value in calibration.values.items()
    )


def _of_plan(plan: str | None) -> str:
    return "" if plan is None else f" of plan {plan}"


def _at(at: datetime | None) -> str:
    return "" if at is None else f" at {at:%Y-%m-%d %H:%M:%S} UTC"


def _warm(temperature_c: Decimal | None) -> str:
    return "" if temperature_c is None else f" at {plain(temperature_c)} degC"
