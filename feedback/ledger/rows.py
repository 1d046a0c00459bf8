"""Turns the records of one taken text into rows of the read tables.

Pure: numbers are handed in, and the same text gives the same rows.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Any, Final

from feedback.follow import UM_PER_MM
from feedback.ledger.chain import canonical, microseconds
from feedback.records import (
    ArtefactReading,
    Miss,
    NewTool,
    PartBegin,
    PartEnd,
    ProbeCalibration,
    Record,
    RegisterReadback,
    Repeat,
    SetterReading,
    Unreadable,
)
from feedback.resolve import Measurement

Row = tuple[Any, ...]


@dataclass(slots=True)
class Numbers:
    """The next free id of each table."""

    part: int = 1
    measurement: int = 1
    register_value: int = 1
    new_tool: int = 1
    other_record: int = 1
    probe_check: int = 1
    unreadable: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where a text came from, and what its stream had left open before it."""

    machine: str
    stream: str
    path: str
    seq: int
    taken_at_us: int
    open_part_id: int | None = None
    last_at_us: int | None = None


@dataclass(slots=True)
class Rows:
    """Rows by table, and what the stream leaves open after them."""

    open_part_id: int | None
    last_at_us: int | None
    parts: list[Row] = field(default_factory=list)
    measurements: list[Row] = field(default_factory=list)
    register_values: list[Row] = field(default_factory=list)
    new_tools: list[Row] = field(default_factory=list)
    other_records: list[Row] = field(default_factory=list)
    unreadables: list[Row] = field(default_factory=list)
    ended_earlier_part: int | None = None  # a part begun in an earlier text that is complete now


def rows_of(records: Sequence[Record], origin: Origin, numbers: Numbers) -> Rows:
    """The rows of `records`; moves `numbers` on. TypeError for a reading that was not resolved against its plan."""
    writer = _Writer(origin, numbers)
    for record in records:
        writing = _WRITERS.get(type(record))
        if writing is None:
            raise TypeError(f"found {type(record).__name__} at line {record.line}; wanted resolved records")
        writing(writer, record)
    return writer.finished()


def doubts_of(records: Sequence[Record]) -> list[list[Any]]:
    """The doubts of `records` as they are kept in the event: [check, words, lines as [first, last] spans]."""
    lines: dict[tuple[str, str], list[list[int]]] = {}
    for record in records:
        for doubt in getattr(record, "doubts", ()):
            spans = lines.setdefault((doubt.check, doubt.words), [])
            if spans and spans[-1][1] == record.line - 1:
                spans[-1][1] = record.line
            else:
                spans.append([record.line, record.line])
    return [[check, words, spans] for (check, words), spans in lines.items()]


def doubts_by_line(kept: Sequence[Sequence[Any]]) -> dict[int, list[tuple[str, str]]]:
    """The inverse of `doubts_of`: what was doubted about the reading in each line."""
    by_line: dict[int, list[tuple[str, str]]] = {}
    for check, words, spans in kept:
        for first, last in spans:
            for line in range(first, last + 1):
                by_line.setdefault(line, []).append((check, words))
    return by_line


def storable(text: str) -> str:
    """`text` with what a database refuses (NUL, undecodable bytes) written as escapes."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\\x00")


def exact(value: Decimal) -> str:
    """Every digit of `value`, without an exponent."""
    text = str(value)
    return f"{value:f}" if "E" in text else text  # formatting takes five times as long, and is hardly ever needed


class _Writer:
    """Collects rows; parts keep their place as a list until their time is known."""

    def __init__(self, origin: Origin, numbers: Numbers) -> None:
        self.origin = origin
        self.numbers = numbers
        self.part_id = origin.open_part_id
        self.last_at_us = origin.last_at_us
        self.ended_earlier_part: int | None = None
        self.rows = Rows(open_part_id=None, last_at_us=None)
        self._parts: list[list[Any]] = []
        self._timeless: list[Any] | None = None  # the part in hand, as long as no line of it printed a time
        self._seen: tuple[datetime | None, int] = (None, 0)
        self._before_any_time: list[tuple[list[Row], int, int]] = []  # table, row and column of their times

    def at_us(self, at: datetime | None) -> int:
        """The line's time, else the one printed last in its stream, else when it was taken.

        Lines before the first time of a stream were printed just before it: a day's file may begin with a tool's
        change or measurement, and be taken a week later.
        """
        if at is None:
            return self.origin.taken_at_us if self.last_at_us is None else self.last_at_us
        if at is not self._seen[0]:
            self._seen = (at, microseconds(at))
        at_us = self.last_at_us = self._seen[1]
        if self._timeless is not None:
            self._timeless[6], self._timeless = at_us, None
        if self._before_any_time:
            self._date_first_lines(at_us - 1)
        return at_us

    def _date_first_lines(self, at_us: int) -> None:
        for rows, at, column in self._before_any_time:
            rows[at] = (*rows[at][:column], at_us, *rows[at][column + 1 :])
        self._before_any_time = []

    def _keep(self, rows: list[Row], row: Row, column: int) -> None:
        """Add a row whose time stands in `column`."""
        rows.append(row)
        if self.last_at_us is None:
            self._before_any_time.append((rows, len(rows) - 1, column))

    def part_begin(self, record: PartBegin) -> None:
        self._end_part()
        self.part_id = self.numbers.part
        self.numbers.part += 1
        self._timeless = None
        machine, stream, at_us = self.origin.machine, self.origin.stream, self.at_us(record.at)
        row = [self.part_id, machine, stream, record.line, record.part, record.plan, at_us, None]
        self._parts.append(row)
        if record.at is None:
            self._timeless = row

    def part_end(self, _: PartEnd) -> None:
        self._end_part()

    def _end_part(self) -> None:
        if self.part_id is None:
            return
        if self._parts and self._parts[-1][0] == self.part_id:
            self._parts[-1][7] = self.origin.seq
        else:
            self.ended_earlier_part = self.part_id
        self.part_id = None
        self._timeless = None

    def measurement(self, record: Measurement) -> None:
        doubts = [[doubt.check, doubt.words] for doubt in record.doubts]
        if record.at is not None and self._timeless is not None:
            self.at_us(record.at)
        temperature = record.temperature_c
        self.rows.measurements.append(
            (
                self.numbers.measurement,
                self.part_id,
                record.feature.key,
                record.line,
                exact(record.actual),
                float(record.deviation * UM_PER_MM),
                None if temperature is None else float(temperature),
                json.dumps(doubts, ensure_ascii=False) if doubts else None,
            )
        )
        self.numbers.measurement += 1

    def readback(self, record: RegisterReadback) -> None:
        origin = self.origin
        self._keep(
            self.rows.register_values,
            (
                self.numbers.register_value,
                origin.machine,
                str(record.register),
                exact(record.value),
                self.at_us(record.at),
                origin.stream,
                record.line,
                self.part_id,
                origin.seq,
            ),
            4,
        )
        self.numbers.register_value += 1

    def new_tool(self, record: NewTool) -> None:
        origin = self.origin
        self._keep(
            self.rows.new_tools,
            (
                self.numbers.new_tool,
                origin.machine,
                record.tool,
                self.at_us(record.at),
                origin.stream,
                record.line,
                self.part_id,
                origin.seq,
            ),
            3,
        )
        self.numbers.new_tool += 1

    def other(self, kind: str, record: Record, content: Mapping[str, Any]) -> None:
        origin = self.origin
        self._keep(
            self.rows.other_records,
            (
                self.numbers.other_record,
                origin.machine,
                kind,
                self.at_us(record.at),
                origin.stream,
                record.line,
                self.part_id,
                canonical(content),
                origin.seq,
            ),
            3,
        )
        self.numbers.other_record += 1

    def unreadable(self, record: Unreadable) -> None:
        origin = self.origin
        self.rows.unreadables.append(
            (
                self.numbers.unreadable,
                origin.machine,
                origin.stream,
                origin.path,
                record.line,
                record.column,
                storable(record.text),
                storable(record.reason),
                origin.seq,
            )
        )
        self.numbers.unreadable += 1

    def finished(self) -> Rows:
        self.rows.parts = [tuple(row) for row in self._parts]
        self.rows.open_part_id = self.part_id
        self.rows.last_at_us = self.last_at_us
        self.rows.ended_earlier_part = self.ended_earlier_part
        return self.rows


def _miss(writer: _Writer, record: Miss) -> None:
    writer.other("miss", record, {"feature": record.feature, "plan": record.plan})


def _setter(writer: _Writer, record: SetterReading) -> None:
    writer.other("setter", record, {"tool": record.tool, "length": record.length, "radius": record.radius})


def _artefact(writer: _Writer, record: ArtefactReading) -> None:
    content = {
        "artefact": record.artefact,
        "actual": record.actual,
        "x": record.x,
        "y": record.y,
        "temperature_c": record.temperature_c,
        "probe": record.probe,
    }
    writer.other("artefact", record, content)


def _calibration(writer: _Writer, record: ProbeCalibration) -> None:
    content = {"probe": record.probe, "values": dict(record.values), "artefact": record.artefact}
    writer.other("calibration", record, content)


def _repeat(writer: _Writer, record: Repeat) -> None:
    place = {"artefact": record.artefact, "point": record.point}
    writer.other("repeat", record, {**place, "actual": record.actual, "x": record.x, "y": record.y})


_WRITERS: Final[dict[type, Callable[[_Writer, Any], None]]] = {
    Measurement: _Writer.measurement,
    PartBegin: _Writer.part_begin,
    PartEnd: _Writer.part_end,
    RegisterReadback: _Writer.readback,
    NewTool: _Writer.new_tool,
    Unreadable: _Writer.unreadable,
    Miss: _miss,
    SetterReading: _setter,
    ArtefactReading: _artefact,
    ProbeCalibration: _calibration,
    Repeat: _repeat,
}
