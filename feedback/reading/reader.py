"""The log reader: bytes in, records out. It does no I/O and can stop after any line and go on later.

Each line gives its records or one `Unreadable`; nothing is dropped and nothing is guessed. An unfinished last line
waits for the rest of it. A part ends with its END, with the next part, or with the stream; where a part's beginning
could not be read, what follows belongs to no part and is unreadable too, rather than counted to the part before.
"""

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final, Self

from feedback.configuration.facts import Machine
from feedback.reading.dates import moments
from feedback.reading.forms import FORMS, OF_A_PART
from feedback.reading.grammar import ColumnsGrammar, Grammar, LinesGrammar, words_of
from feedback.reading.layout import Columns, Layout, Lines, Pairs
from feedback.reading.misread import MisreadError
from feedback.reading.pairs import PairsGrammar
from feedback.reading.quick import quick_reading
from feedback.reading.values import Dial, Place, Words
from feedback.records import PartBegin, PartEnd, Reading, Record, Unreadable
from feedback.units import LengthUnit

LONGEST_LINE: Final = 4096
BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"

_ODD: Final = re.compile(r"[^ -~\t]")
_HOLDS_NOTHING: Final = frozenset({"", "%"})


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderState:
    """Everything a reader needs to go on after the last whole line it took."""

    bytes: int = 0
    lines: int = 0
    part: str | None = None
    plan: str | None = None
    at: datetime | None = None
    unit: LengthUnit | None = None
    lost: int | None = None
    header: str | None = None

    def to_json(self) -> dict[str, Any]:
        return {**asdict(self), "at": None if self.at is None else self.at.isoformat()}

    @classmethod
    def from_json(cls, kept: Mapping[str, Any]) -> Self:
        at = kept["at"]
        return cls(**{**kept, "at": None if at is None else datetime.fromisoformat(at)})


class LogReader:
    """Reads one stream of one machine's log text, from its beginning or from `state`."""

    def __init__(self, layout: Layout, machine: Machine, state: ReaderState | None = None) -> None:
        state = state or ReaderState()
        self._dial = Dial(
            machine.unit, machine.tool_radius == "diameter", moments(layout.date, layout.time, machine.time_zone)
        )
        self._place = Place(state.lines, state.part, state.plan, state.at, state.unit, state.lost)
        self._table = ColumnsGrammar(layout, state.header) if isinstance(layout, Columns) else None
        self._grammar = self._table or _grammar(layout)
        self._is_plain_pairs = isinstance(layout, Pairs) and not layout.words
        self._bytes = state.bytes
        self._pending = bytearray()

    @property
    def state(self) -> ReaderState:
        """How far whole lines have been taken; an unfinished line is not part of it and must be pushed again."""
        place = self._place
        return ReaderState(
            bytes=self._bytes,
            lines=place.line,
            part=place.part,
            plan=place.plan,
            at=place.at,
            unit=place.unit,
            lost=place.lost,
            header=self._table.header if self._table else None,
        )

    def push(self, data: bytes) -> list[Record]:
        """The records of every line that `data` completes, in order."""
        end = data.rfind(b"\n") + 1
        if end == 0:
            self._pending += data
            return []
        block = bytes(self._pending) + data[:end]
        self._pending = bytearray(data[end:])
        records: list[Record] = []
        place, dial = self._place, self._dial
        quickly = quick_reading if self._is_plain_pairs else _never
        for line in block.decode("latin-1").split("\n")[:-1]:
            place.line += 1
            reading = quickly(line, place, dial)
            if reading is not None:
                records.append(reading)
            else:
                self._take(line, records)
        self._bytes += len(block)
        return records

    def close(self) -> list[Record]:
        """Nothing follows in this stream: its unfinished line comes out as unreadable and an open part ends."""
        records: list[Record] = []
        place = self._place
        text = self._pending.decode("latin-1")
        if self._pending and text.strip() not in _HOLDS_NOTHING:
            place.line += 1
            reason = "the line is half-written: it has no line end; wanted the rest of it"
            records.append(self._unreadable(text, MisreadError(reason, len(text) + 1)))
        self._bytes += len(self._pending)
        self._pending.clear()
        self._end_part(records, stated=False)
        place.lost = None
        return records

    def _take(self, text: str, records: list[Record]) -> None:
        place = self._place
        try:
            if not (text.isascii() and text.isprintable()):
                text = _cleaned(text, at_start=self._bytes == 0 and place.line == 1)
            if len(text) > LONGEST_LINE:
                raise MisreadError(
                    f"the line has {len(text)} characters; wanted at most {LONGEST_LINE}", LONGEST_LINE + 1
                )
            taken = self._grammar.take(text)
            if taken is None:
                return
            kind, values = taken
            if self._table is not None:
                values = self._row(values, records)
            form = FORMS.get(kind)
            if form is None:
                self._mark(kind, values, records)
            else:
                if kind in OF_A_PART and place.part is None:
                    raise MisreadError(self._outside(f"{kind} outside a part"))
                records += form(Words(values, place, self._dial))
        except MisreadError as fault:
            if self._grammar.may_begin_part(text):
                self._lose_part(records)
            records.append(self._unreadable(text, fault))

    def _mark(self, kind: str, values: Mapping[str, str], records: list[Record]) -> None:
        """The beginning or end of a part."""
        words = Words(values, self._place, self._dial)
        if kind == "PART":
            self._begin_part(words, records)
        elif self._place.part is None:
            raise MisreadError(self._outside(f"END {values['END']} outside a part"))
        elif values["END"] != self._place.part:
            raise MisreadError(
                f"END: found {values['END']!r} while part {self._place.part!r} is open; wanted its end", word="END"
            )
        else:
            self._end_part(records, stated=True, at=words.at)

    def _row(self, values: Mapping[str, str], records: list[Record]) -> Mapping[str, str]:
        """Begin the part that a table's row names, if it is another one; what is left belongs to the reading."""
        place = self._place
        part, plan = values["PART"], values.get("PLAN")
        if (part, plan) != (place.part, place.plan):
            when = {word: values[word] for word in ("DATE", "TIME") if word in values}
            try:
                words = Words({"PART": part, **({"PLAN": plan} if plan else {}), **when}, Place(), self._dial)
            except MisreadError:  # an impossible date, which the reading itself will report
                words = Words({"PART": part, **({"PLAN": plan} if plan else {})}, Place(), self._dial)
            self._begin_part(words, records)
        return words_of(values, "PART", "PLAN")

    def _begin_part(self, words: Words, records: list[Record]) -> None:
        unit = words.unit()
        at = words.at if "DATE" in words.values else None
        self._end_part(records, stated=False)
        place = self._place
        place.part, place.plan, place.at, place.unit = words.values["PART"], words.values.get("PLAN"), at, unit
        place.lost = None
        records.append(PartBegin(line=place.line, part=place.part, plan=place.plan, at=at))

    def _end_part(self, records: list[Record], *, stated: bool, at: datetime | None = None) -> None:
        place = self._place
        if place.part is not None:
            records.append(PartEnd(line=place.line, part=place.part, plan=place.plan, at=at or place.at, stated=stated))
        place.part = place.plan = place.at = place.unit = None

    def _lose_part(self, records: list[Record]) -> None:
        self._end_part(records, stated=False)
        self._place.lost = self._place.line

    def _outside(self, found: str) -> str:
        lost = self._place.lost
        if lost is None:
            return f"found {found}; wanted a PART line before it"
        return f"found {found}: its part began on line {lost}, which could not be read; wanted a readable PART line"

    def _unreadable(self, text: str, fault: MisreadError) -> Unreadable:
        place = self._place
        column = fault.column if fault.word is None else self._grammar.column(text, fault.word)
        return Unreadable(
            line=place.line,
            part=place.part,
            plan=place.plan,
            at=place.at,
            column=column,
            text=_shown(text),
            reason=fault.reason,
        )


def _grammar(layout: Layout) -> Grammar:
    if isinstance(layout, Lines):
        return LinesGrammar(layout)
    assert not isinstance(layout, Columns)
    return PairsGrammar(layout)


def _never(_text: str, _place: Place, _dial: Dial) -> Reading | None:
    """The short way of layouts that have none."""
    return None


def _cleaned(text: str, *, at_start: bool) -> str:
    """`text` without carriage returns at its ends; raises MisreadError for what is neither printable nor a tab."""
    if at_start:
        text = text.removeprefix(BYTE_ORDER_MARK.decode("latin-1"))
    text = text.strip("\r")
    odd = _ODD.search(text)
    if odd is not None:
        raise MisreadError(
            f"found the byte 0x{ord(odd[0]):02x}; wanted printable ASCII characters only", odd.start() + 1
        )
    return text


def _shown(text: str) -> str:
    """`text` with every byte that `_cleaned` refuses written as \\xNN, so that it can be kept and shown anywhere."""
    return _ODD.sub(lambda odd: f"\\x{ord(odd[0]):02x}", text.strip("\r"))
