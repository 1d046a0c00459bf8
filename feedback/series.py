"""Puts what the store holds of one machine into the order in which it happened, as `feedback.follow` takes it. Pure.

Order: by time, then by arrival. A register print inside a part's record was in force when that part was cut, so it
comes before the part; one printed between parts comes after the parts of the same time.
"""

from collections import deque
from collections.abc import Collection, Iterable, Iterator, Sequence
from decimal import Decimal
from itertools import groupby
from operator import attrgetter, itemgetter
from typing import NamedTuple

from feedback.follow import Happening, PartPassed, PartSeen, RegisterSeen, SetterSeen, ToolSeen
from feedback.registers import register

NOT_NEWS = "delivered-before"  # the check of `feedback.trust` whose doubt means: this part is already in the series


class PartRow(NamedTuple):
    """One completed part, whether anything was read of it or not."""

    id: int
    part: str
    at_us: int
    plan: str | None


class MeasurementRow(NamedTuple):
    """One measurement joined with its part, as the store gives it."""

    part_id: int
    part: str
    at_us: int
    feature: str
    deviation_um: float
    doubts: tuple[tuple[str, str], ...]  # (check, words)


class RegisterRow(NamedTuple):
    """One register print; `part_id` is None between parts."""

    id: int
    register: str
    value: str
    at_us: int
    part_id: int | None
    source: str


class ToolRow(NamedTuple):
    """One new-tool record."""

    id: int
    tool: int
    at_us: int
    part_id: int | None
    source: str
    line: int = 0


class SetterRow(NamedTuple):
    """One reading of the tool setter, mm and radius-valued as in the log; None: not measured."""

    id: int
    tool: int
    length: str | None
    radius: str | None
    at_us: int
    part_id: int | None
    source: str
    line: int = 0


# Where a happening stands in the machine's history: time; inside a part or after the parts of that time; part id; what
# of it comes first; arrival.
_Place = tuple[int, int, int, int, int]
_INSIDE, _AFTER = 0, 1
_OLD_TOOL, _PRINT, _NEW_TOOL, _PART = -1, 0, 1, 2  # of one moment: the worn tool, its change, the tool put in


def in_order(
    measurements: Iterable[MeasurementRow],
    registers: Iterable[RegisterRow],
    tools: Sequence[ToolRow],
    setters: Sequence[SetterRow] = (),
) -> list[Happening]:
    """Everything in the order in which it happened."""
    placed: list[tuple[_Place, Happening]] = [
        ((seen.at_us, _INSIDE, seen.part_id, _PART, 0), seen) for seen in _parts(measurements)
    ]
    placed += [
        (
            _place(row),
            RegisterSeen(register=register(row.register), value=Decimal(row.value), at_us=row.at_us, source=row.source),
        )
        for row in registers
    ]
    placed += [(_place(row), ToolSeen(tool=row.tool, at_us=row.at_us, source=row.source)) for row in tools]
    changes = tools if setters else ()
    placed += [(_place(row, _which_tool(row, changes)), _on_setter(row)) for row in setters]
    placed.sort(key=itemgetter(0))
    return [happening for _, happening in placed]


def _place(row: RegisterRow | ToolRow | SetterRow, which: int = _PRINT) -> _Place:
    if row.part_id is None:
        return (row.at_us, _AFTER, 0, which, row.id)
    return (row.at_us, _INSIDE, row.part_id, which, row.id)


def _which_tool(row: SetterRow, changes: Iterable[ToolRow]) -> int:
    """Which of two tools was measured where the change bears the same time: the line tells."""
    same = [change for change in changes if _moment(change) == _moment(row)]
    return _OLD_TOOL if any(change.line > row.line for change in same) else _NEW_TOOL


def _moment(row: ToolRow | SetterRow) -> tuple[int, int, int | None]:
    return row.tool, row.at_us, row.part_id


def _on_setter(row: SetterRow) -> SetterSeen:
    length, radius = (None if text is None else Decimal(text) for text in (row.length, row.radius))
    return SetterSeen(tool=row.tool, length=length, radius=radius, at_us=row.at_us, source=row.source)


def unread(
    parts: Iterable[PartRow], measurements: Sequence[MeasurementRow], features: Collection[str], plans: Collection[str]
) -> list[PartPassed]:
    """The parts of `plans` in their order that have no reading of `features`; of parts delivered again none."""
    read = {row.part_id for row in measurements if row.feature in features}
    if all(row.id in read for row in parts):
        return []
    known = {row.part_id for row in measurements}
    again = known - {row.part_id for row in measurements if not _is_known(row)}
    passed = [row for row in parts if row.plan in plans and row.id not in read and row.id not in again]
    return [PartPassed(part_id=row.id, at_us=row.at_us) for row in sorted(passed, key=lambda row: (row.at_us, row.id))]


def with_passed(passed: Sequence[PartPassed], happenings: Sequence[Happening]) -> list[Happening]:
    """Unread parts put before the first part that came after them; what lies between two parts keeps its place."""
    if not passed:
        return list(happenings)
    waiting, ordered = deque(passed), list[Happening]()
    for happening in happenings:
        while isinstance(happening, PartSeen) and waiting and _when(waiting[0]) < _when(happening):
            ordered.append(waiting.popleft())
        ordered.append(happening)
    return [*ordered, *waiting]


def _when(part: PartSeen | PartPassed) -> tuple[int, int]:
    return part.at_us, part.part_id


def _parts(measurements: Iterable[MeasurementRow]) -> Iterator[PartSeen]:
    of_part = attrgetter("part_id")
    for part_id, rows in groupby(sorted(measurements, key=of_part), key=of_part):
        seen = _part(part_id, list(rows))
        if seen is not None:
            yield seen


def _part(part_id: int, rows: Sequence[MeasurementRow]) -> PartSeen | None:
    """None when every reading of the part had been delivered before: the series already has it."""
    news = [row for row in rows if not row.doubts or not _is_known(row)]
    if not news:
        return None
    return PartSeen(
        part_id=part_id,
        part=news[0].part,
        at_us=news[0].at_us,
        deviations={row.feature: row.deviation_um for row in news if not row.doubts},
        doubts=tuple([words for row in news for _, words in row.doubts]),
    )


def _is_known(row: MeasurementRow) -> bool:
    """Delivered before: the series has it already."""
    return any(check == NOT_NEWS for check, _ in row.doubts)
