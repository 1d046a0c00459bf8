"""One function per kind of record: from a line's words to the record."""

import re
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Final

from feedback.reading.misread import MisreadError
from feedback.reading.values import Words
from feedback.records import (
    ArtefactReading,
    Miss,
    NewTool,
    ProbeCalibration,
    Reading,
    Record,
    RegisterReadback,
    Repeat,
    SetterReading,
)
from feedback.registers import Register, tool_register, work_register

Form = Callable[[Words], list[Record]]

_SYSTEM: Final = re.compile(r"5[4-9](?:\.[0-9]+)?")


def reading(words: Words) -> list[Record]:
    place = words.place
    values = words.values
    length = words.length
    return [
        Reading(
            line=place.line,
            part=place.part,
            plan=place.plan,
            at=words.at,
            feature=values["FEATURE"],
            actual=length("ACTUAL"),
            nominal=length("NOMINAL") if "NOMINAL" in values else None,
            lower=length("LOWER") if "LOWER" in values else None,
            upper=length("UPPER") if "UPPER" in values else None,
            tool=words.whole("TOOL") if "TOOL" in values else None,
            temperature_c=words.number("TEMP") if "TEMP" in values else None,
            inch=words.inch,
        )
    ]


def miss(words: Words) -> list[Record]:
    place = words.place
    return [Miss(line=place.line, part=place.part, plan=place.plan, at=words.at, feature=words.values["FEATURE"])]


def tool_offset(words: Words) -> list[Record]:
    tool = words.whole("TOOL")
    held = [(axis.lower(), words.length(axis)) for axis in ("LENGTH", "X", "Z") if axis in words.values]
    radius = words.maybe_radius()
    if radius is not None:
        held.insert(0, ("radius", radius))
    if not held:
        raise MisreadError("OFFSET TOOL without a value; wanted RADIUS, LENGTH, X or Z with a number", word="TOOL")
    return [_readback(words, tool_register(tool, axis), value) for axis, value in held]


def work_offset(words: Words) -> list[Record]:
    system = _system(words)
    held = list(_axes(words))
    if not held:
        raise MisreadError("OFFSET WORK without a value; wanted X, Y, Z, A, B or C with a number", word="WORK")
    return [_readback(words, work_register(system, axis), value) for axis, value in held]


def new_tool(words: Words) -> list[Record]:
    place = words.place
    return [NewTool(line=place.line, part=place.part, plan=place.plan, at=words.at, tool=words.whole("NEWTOOL"))]


def setter(words: Words) -> list[Record]:
    length, radius = words.maybe_length("LENGTH"), words.maybe_radius()
    if length is None and radius is None:
        raise MisreadError("SETTER without a value; wanted LENGTH or RADIUS with a number", word="TOOL")
    place = words.place
    return [
        SetterReading(
            line=place.line,
            part=place.part,
            plan=place.plan,
            at=words.at,
            tool=words.whole("TOOL"),
            length=length,
            radius=radius,
        )
    ]


def artefact(words: Words) -> list[Record]:
    place = words.place
    return [
        ArtefactReading(
            line=place.line,
            part=place.part,
            plan=place.plan,
            at=words.at,
            artefact=words.values["ARTEFACT"],
            actual=words.length("ACTUAL"),
            x=words.maybe_length("X"),
            y=words.maybe_length("Y"),
            probe=words.whole("PROBE") if "PROBE" in words.values else None,
            temperature_c=words.maybe_number("TEMP"),
        )
    ]


def calibration(words: Words) -> list[Record]:
    place = words.place
    said = words.values.keys() - {"PROBE", "ARTEFACT", "DATE", "TIME", "UNIT"}
    return [
        ProbeCalibration(
            line=place.line,
            part=place.part,
            plan=place.plan,
            at=words.at,
            probe=words.whole("PROBE"),
            values={word: _calibrated(words, word) for word in words.values if word in said},
            artefact=words.values.get("ARTEFACT"),
        )
    ]


def repeat(words: Words) -> list[Record]:
    place = words.place
    if "TEMP" in words.values:
        words.number("TEMP")
    return [
        Repeat(
            line=place.line,
            part=place.part,
            plan=place.plan,
            at=words.at,
            artefact=words.values["REPEAT"],
            point=words.whole("POINT"),
            actual=words.length("ACTUAL"),
            x=words.maybe_length("X"),
            y=words.maybe_length("Y"),
        )
    ]


FORMS: Final[dict[str, Form]] = {
    "FEATURE": reading,
    "MISS": miss,
    "OFFSET TOOL": tool_offset,
    "OFFSET WORK": work_offset,
    "NEWTOOL": new_tool,
    "SETTER": setter,
    "ARTEFACT": artefact,
    "CALIBRATION": calibration,
    "REPEAT": repeat,
}
OF_A_PART: Final = frozenset({"FEATURE", "MISS"})  # these mean nothing outside a part


def _readback(words: Words, register: Register, value: Decimal) -> RegisterReadback:
    place = words.place
    return RegisterReadback(
        line=place.line, part=place.part, plan=place.plan, at=words.at, register=register, value=value
    )


def _system(words: Words) -> str:
    """The coordinate system as registers name it: "54" or "54.1 P3"."""
    system = words.values["WORK"]
    if _SYSTEM.fullmatch(system) is None:
        raise MisreadError(f"WORK: found {system!r}; wanted a coordinate system such as 54 or 54.1 P3", word="WORK")
    if "P" in words.values:
        return f"{system} P{words.whole('P')}"
    if system == "54.1":
        raise MisreadError("WORK: found 54.1 without its number; wanted for example 54.1 P3", word="WORK")
    return system


def _axes(words: Words) -> Iterator[tuple[str, Decimal]]:
    for axis in "XYZ":
        if axis in words.values:
            yield axis, words.length(axis)
    for axis in "ABC":
        if axis in words.values:
            yield axis, words.number(axis)


def _calibrated(words: Words, word: str) -> Decimal | None:
    if words.values[word] == "":
        return None
    return words.number(word) if word == "TEMP" else words.length(word)
