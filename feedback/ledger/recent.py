"""What the trend needs from the store: what one taken text brought, and what came after a kept memory."""

import json
from collections.abc import Collection, Sequence
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NamedTuple

from feedback.configuration.facts import Group
from feedback.follow import Happening
from feedback.ledger.sql import marks
from feedback.missed import MissRow
from feedback.series import MeasurementRow, PartRow, RegisterRow, SetterRow, ToolRow, in_order, unread, with_passed

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql

# A part counts once it is complete: half a part would be decided on twice, with different readings.
_MEASUREMENTS = """
SELECT p.id, p.part, p.at_us, m.feature, m.deviation_um, m.doubts
FROM part p JOIN measurement m ON m.part_id = p.id WHERE p.machine = ? AND """
_PARTS = "SELECT p.id, p.part, p.at_us, p.plan FROM part p WHERE p.machine = ? AND "
_REGISTERS = """
SELECT v.id, v.register, v.value, v.at_us, v.part_id, s.path, v.line
FROM register_value v LEFT JOIN stream s ON s.id = v.stream WHERE v.machine = ? AND """
_TOOLS = """
SELECT t.id, t.tool, t.at_us, t.part_id, s.path, t.line
FROM new_tool t LEFT JOIN stream s ON s.id = t.stream WHERE t.machine = ? AND """
_SETTERS = """
SELECT o.id, o.payload, o.at_us, o.part_id, s.path, o.line
FROM other_record o LEFT JOIN stream s ON s.id = o.stream WHERE o.kind = 'setter' AND o.machine = ? AND """

_MISSES = """
SELECT o.part_id, p.at_us, p.part, o.payload, s.path, o.line
FROM other_record o JOIN part p ON p.id = o.part_id LEFT JOIN stream s ON s.id = o.stream
WHERE o.kind = 'miss' AND o.machine = ? AND o.part_id BETWEEN ? AND ? ORDER BY o.part_id, o.line"""

_THE_BEGINNING = (-(2**62), -1)


class News(NamedTuple):
    """Completed parts and their measurements, register prints, new tools and tool-setter readings of one machine."""

    parts: list[PartRow]
    measurements: list[MeasurementRow]
    registers: list[RegisterRow]
    tools: list[ToolRow]
    setters: Sequence[SetterRow] = ()

    def tools_as_read(self) -> list[ToolRow | SetterRow]:
        """New tools and tool-setter readings of one text, in the order of its lines."""
        both: list[ToolRow | SetterRow] = [*self.tools, *self.setters]
        return sorted(both, key=attrgetter("line"))

    def of(self, group: Group) -> list[Happening]:
        """What concerns one group, in order."""
        features = {feature.key for feature in group.features}
        registers = {str(register) for register in group.registers}
        tools = {register.tool for register in group.registers}
        passed = unread(self.parts, self.measurements, features, {feature.plan for feature in group.features})
        return with_passed(passed, self._read(features, registers, tools))

    def _read(
        self, features: Collection[str], registers: Collection[str], tools: Collection[int | None]
    ) -> list[Happening]:
        return in_order(
            [row for row in self.measurements if row.feature in features],
            [row for row in self.registers if row.register in registers],
            [row for row in self.tools if row.tool in tools],
            [row for row in self.setters if row.tool in tools],
        )


def brought_by(sql: "Sql", machine: str, seq: int) -> News:
    """What event `seq` brought: the parts it completed, the prints and new tools that stand in it."""
    values = (machine, seq)
    return _news(
        sql.rows(f"{_PARTS} p.ended = ?", values),
        sql.rows(f"{_MEASUREMENTS} p.ended = ?", values),
        sql.rows(f"{_REGISTERS} v.seq = ?", values),
        sql.rows(f"{_TOOLS} t.seq = ?", values),
        sql.rows(f"{_SETTERS} o.seq = ?", values),
    )


def since(sql: "Sql", machine: str, features: Sequence[str], after: tuple[int, int] | None, most_parts: int) -> News:
    """What happened after the part `after` (time, id); without one, the newest `most_parts` parts of `features`."""
    at_us, part_id = after or _before_the_newest(sql, machine, features, most_parts)
    values = (machine, at_us, at_us, part_id)
    later = "({0}.at_us > ? OR ({0}.at_us = ? AND ({0}.part_id IS NULL OR {0}.part_id > ?)))"
    completed = "p.ended IS NOT NULL AND (p.at_us > ? OR (p.at_us = ? AND p.id > ?))"
    return _news(
        sql.rows(f"{_PARTS} {completed}", values),
        sql.rows(f"{_MEASUREMENTS} {completed}", values),
        sql.rows(_REGISTERS + later.format("v"), values),
        sql.rows(_TOOLS + later.format("t"), values),
        sql.rows(_SETTERS + later.format("o"), values),
    )


def tools_and_setters(sql: "Sql", machine: str) -> list[ToolRow | SetterRow]:
    """Every new tool and tool-setter reading of a machine, in the order in which the text came."""
    order = "{0}.seq >= 0 ORDER BY {0}.seq, {0}.line"
    values = (machine,)
    tools: list[tuple[int, ToolRow | SetterRow]]
    tools = [(row[0], _tool(row[1:])) for row in sql.rows(f"{_with_seq(_TOOLS, 't')}{order.format('t')}", values)]
    setters = [(row[0], _setter(row[1:])) for row in sql.rows(f"{_with_seq(_SETTERS, 'o')}{order.format('o')}", values)]
    both = sorted([*tools, *setters], key=_place_in_text)
    return [row for _, row in both]


def _place_in_text(placed: tuple[int, ToolRow | SetterRow]) -> tuple[int, int]:
    seq, row = placed
    return seq, row.line


def misses(sql: "Sql", machine: str, parts: Sequence[PartRow]) -> list[MissRow]:
    """The features of these parts on which the probe did not trigger."""
    if not parts:
        return []
    ids = {row.id for row in parts}
    found = sql.rows(_MISSES, (machine, min(ids), max(ids)))
    return [_miss(row) for row in found if row[0] in ids]


def _with_seq(query: str, table: str) -> str:
    return query.replace("SELECT ", f"SELECT {table}.seq, ")


def _before_the_newest(sql: "Sql", machine: str, features: Sequence[str], parts: int) -> tuple[int, int]:
    """The place just before the newest `parts` parts with a reading of any of `features`."""
    found = sql.row(
        "SELECT DISTINCT p.at_us, p.id FROM part p JOIN measurement m ON m.part_id = p.id "
        f"WHERE p.machine = ? AND m.feature IN ({marks(features)}) "
        f"ORDER BY p.at_us DESC, p.id DESC LIMIT 1 OFFSET {parts}",
        (machine, *features),
    )
    return _THE_BEGINNING if found is None else (found[0], found[1])


def parts_between(sql: "Sql", machine: str, features: Sequence[str], after: int, up_to: int) -> int:
    """How many parts with a reading of any of `features` came after part id `after`, up to part id `up_to`."""
    count = sql.value(
        "SELECT count(DISTINCT p.id) FROM part p JOIN measurement m ON m.part_id = p.id "
        f"WHERE p.machine = ? AND p.id > ? AND p.id <= ? AND m.feature IN ({marks(features)})",
        (machine, after, up_to, *features),
    )
    return int(count)


def parts_cut(sql: "Sql", machine: str, after: int, before_us: int) -> int:
    """How many parts of the same plan were cut after part id `after` and before a register printed at `before_us`."""
    count = sql.value(
        "SELECT count(*) FROM part p JOIN part o ON o.plan = p.plan WHERE p.machine = ? AND o.id = ? "
        "AND (p.at_us > o.at_us OR (p.at_us = o.at_us AND p.id > o.id)) AND p.at_us < ?",
        (machine, after, before_us),
    )
    return int(count)


def stream_state(sql: "Sql", stream: str) -> tuple[dict[str, Any] | None, int | None] | None:
    """Where the reader of a stream stopped and the newest time it printed; None for a stream not seen before."""
    found = sql.row("SELECT reader, last_at_us FROM stream WHERE id = ?", (stream,))
    return None if found is None else (found[0] and json.loads(found[0]), found[1])


def delivered(sql: "Sql", machine: str, from_us: int, to_us: int) -> set[tuple[str, str, int, str]]:
    """Every reading of a span of time as (part, feature, time, exact value): what a second delivery would repeat."""
    rows = sql.rows(
        "SELECT p.part, m.feature, p.at_us, m.actual FROM part p JOIN measurement m ON m.part_id = p.id "
        "WHERE p.machine = ? AND p.at_us BETWEEN ? AND ?",
        (machine, from_us, to_us),
    )
    return {(part, feature, at_us, actual) for part, feature, at_us, actual in rows}


def newest_parts(sql: "Sql", machine: str, features: Sequence[str], up_to: int, parts: int) -> list[str]:
    """Names of the newest `parts` parts with a believed reading of any of `features`, oldest first."""
    rows = sql.rows(
        "SELECT DISTINCT p.at_us, p.id, p.part FROM part p JOIN measurement m ON m.part_id = p.id "
        f"WHERE p.machine = ? AND p.id <= ? AND m.doubts IS NULL AND m.feature IN ({marks(features)}) "
        f"ORDER BY p.at_us DESC, p.id DESC LIMIT {parts}",
        (machine, up_to, *features),
    )
    return [part for _, _, part in reversed(rows)]


def _news(
    parts: Sequence[Sequence[Any]],
    measurements: Sequence[Sequence[Any]],
    registers: Sequence[Sequence[Any]],
    tools: Sequence[Sequence[Any]],
    setters: Sequence[Sequence[Any]],
) -> News:
    return News(
        [PartRow._make(row) for row in parts],
        [MeasurementRow._make((*facts, _doubts(doubts))) for *facts, doubts in measurements],
        [RegisterRow._make((*facts, f"{path}:{line}")) for *facts, path, line in registers],
        [_tool(row) for row in tools],
        [_setter(row) for row in setters],
    )


def _tool(row: Sequence[Any]) -> ToolRow:
    *facts, path, line = row
    return ToolRow._make((*facts, f"{path}:{line}", line))


def _setter(row: Sequence[Any]) -> SetterRow:
    id, payload, at_us, part_id, path, line = row
    said = json.loads(payload)
    return SetterRow(id, said["tool"], said["length"], said["radius"], at_us, part_id, f"{path}:{line}", line)


def _miss(row: Sequence[Any]) -> MissRow:
    part_id, at_us, part, payload, path, line = row
    said = json.loads(payload)
    return MissRow(part_id, at_us, part, said["plan"], said["feature"], f"{path}:{line}")


def _doubts(kept: str | None) -> tuple[tuple[str, str], ...]:
    return () if kept is None else tuple((check, words) for check, words in json.loads(kept))
