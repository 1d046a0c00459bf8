"""Questions about probes: what a text said of them, what has been judged, which doubts are in force."""

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from feedback.ledger.sql import marks

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql

Place = tuple[int, int]  # as in feedback.fitness.standing


class ProbeRecord(NamedTuple):
    """What one line said of a probe. `kind`: artefact, calibration, or unreadable for a calibration nobody could read.

    `place` is its time and the newest part that began before it in its log.
    """

    kind: str
    content: dict[str, Any]
    place: Place
    source: str


class CheckRow(NamedTuple):
    """One check or calibration that was judged when it came; `content` is its entry in the history."""

    id: int
    probe: int
    what: str
    artefact: str | None
    place: Place
    result: str
    set_aside: bool
    content: dict[str, Any]


class DoubtRow(NamedTuple):
    """A doubt about everything that was measured after one place, up to another (None: until now)."""

    id: int
    probe: int
    since: Place
    until: Place | None
    words: str
    lifted: bool


class Rested(NamedTuple):
    """A proposal and the part after which it was opened; `parts` are the names of those its evidence names."""

    id: str
    register: str
    status: str
    opened: Place
    parts: tuple[str, ...]


_BEFORE = "(SELECT max(p.id) FROM part p WHERE p.stream = {0}.stream AND p.line < {0}.line)"


def records(sql: "Sql", machine: str, seq: int) -> list[ProbeRecord]:
    """What event `seq` said of the machine's probes, in the order of the lines of each log."""
    rows = sql.rows(
        f"SELECT o.kind, o.payload, o.at_us, o.part_id, {_BEFORE.format('o')}, s.path, o.line "
        "FROM other_record o LEFT JOIN stream s ON s.id = o.stream "
        "WHERE o.machine = ? AND o.seq = ? AND o.kind IN ('artefact', 'calibration') ORDER BY o.id",
        (machine, seq),
    )
    found = [
        ProbeRecord(kind, json.loads(payload), (at_us, _before(part_id, before)), f"{path}:{line}")
        for kind, payload, at_us, part_id, before, path, line in rows
    ]
    return [*found, *_unreadable_calibrations(sql, machine, seq)]


def _before(part_id: int | None, before: int | None) -> int:
    """A line inside a part stands before that part, as a register's print does."""
    return part_id - 1 if part_id is not None else -1 if before is None else before


def _unreadable_calibrations(sql: "Sql", machine: str, seq: int) -> list[ProbeRecord]:
    rows = sql.rows(
        f"SELECT u.text, u.reason, {_BEFORE.format('u')}, u.path, u.line, e.at_us FROM unreadable u "
        "JOIN event e ON e.seq = u.seq WHERE u.machine = ? AND u.seq = ? AND upper(u.text) LIKE ? ORDER BY u.id",
        (machine, seq, "%CALIBRATION%"),
    )
    return [
        ProbeRecord("unreadable", {"reason": reason}, _place_of(sql, before, at_us), f"{path}:{line}")
        for text, reason, before, path, line, at_us in rows
        if text.lstrip().upper().startswith("CALIBRATION")
    ]


def unreadable_checks(sql: "Sql", machine: str) -> list[str]:
    """Lines on checks and repeats that nobody could read, with where and why, oldest first.

    A calibration nobody could read is no such line: it is judged, and failed.
    """
    rows = sql.rows(
        "SELECT path, line, column_no, reason, text FROM unreadable WHERE machine = ? "
        "AND (upper(text) LIKE ? OR upper(text) LIKE ?) ORDER BY id",
        (machine, "%ARTEFACT%", "%REPEAT%"),
    )
    return [
        f"{path}:{line}:{column}: {reason}"
        for path, line, column, reason, text in rows
        if text.lstrip().upper().startswith(("ARTEFACT", "REPEAT"))
    ]


def _place_of(sql: "Sql", part_id: int | None, taken_at_us: int) -> Place:
    """Right after that part; a log that has shown no part yet is as old as the moment it was taken."""
    at_us = None if part_id is None else sql.value("SELECT at_us FROM part WHERE id = ?", (part_id,))
    return (taken_at_us, -1) if part_id is None or at_us is None else (int(at_us), part_id)


def checks(sql: "Sql", machine: str) -> list[CheckRow]:
    """Everything judged of a machine's probes, in its order."""
    rows = sql.rows(
        "SELECT id, probe, what, artefact, at_us, before_part_id, result, set_aside, payload FROM probe_check "
        "WHERE machine = ? ORDER BY at_us, before_part_id, id",
        (machine,),
    )
    return [
        CheckRow(id, probe, what, artefact, (at_us, before), result, bool(aside), json.loads(payload))
        for id, probe, what, artefact, at_us, before, result, aside, payload in rows
    ]


def doubts(sql: "Sql", machine: str) -> list[DoubtRow]:
    """Every doubt that a machine's probes have cast, lifted ones too."""
    rows = sql.rows(
        "SELECT id, probe, since_us, since_part_id, until_us, until_part_id, words, lifted FROM probe_doubt "
        "WHERE machine = ? ORDER BY id",
        (machine,),
    )
    return [
        DoubtRow(id, probe, (since, part), None if until is None else (until, until_part), words, bool(lifted))
        for id, probe, since, part, until, until_part, words, lifted in rows
    ]


def states(sql: "Sql", machine: str) -> dict[int, dict[str, Any]]:
    """The last state kept of each probe."""
    rows = sql.rows("SELECT probe, payload FROM probe_state WHERE machine = ? ORDER BY probe", (machine,))
    return {probe: json.loads(payload) for probe, payload in rows}


_MEASURED = (
    "FROM part p WHERE p.machine = ? AND p.ended IS NOT NULL "
    "AND EXISTS (SELECT 1 FROM measurement m WHERE m.part_id = p.id)"
)


def places_of(sql: "Sql", machine: str, seq: int) -> list[Place]:
    """The parts with readings that event `seq` completed."""
    rows = sql.rows(f"SELECT p.at_us, p.id {_MEASURED} AND p.ended = ?", (machine, seq))
    return [(at_us, id) for at_us, id in rows]


def newest_places(sql: "Sql", machine: str, most: int) -> list[Place]:
    """The newest `most` complete parts with readings."""
    rows = sql.rows(f"SELECT p.at_us, p.id {_MEASURED} ORDER BY p.at_us DESC, p.id DESC LIMIT {most}", (machine,))
    return [(at_us, id) for at_us, id in rows]


def first_place(sql: "Sql", machine: str) -> Place | None:
    """The oldest complete part with readings."""
    row = sql.row(f"SELECT p.at_us, p.id {_MEASURED} ORDER BY p.at_us, p.id LIMIT 1", (machine,))
    return None if row is None else (row[0], row[1])


def parts_within(sql: "Sql", machine: str, since: Place, until: Place | None) -> list[str]:
    """Names of the complete parts with readings after one place, up to another, in their order."""
    up_to = "" if until is None else "AND p.at_us <= ? AND (p.at_us < ? OR p.id <= ?)"
    values: list[Any] = [machine, since[0], *since]
    if until is not None:
        values += [until[0], *until]
    rows = sql.rows(
        f"SELECT p.part {_MEASURED} AND p.at_us >= ? AND (p.at_us > ? OR p.id > ?) {up_to} ORDER BY p.at_us, p.id",
        values,
    )
    return [name for (name,) in rows]


def were_followed(sql: "Sql", machine: str, since: Place, until: Place | None, before: int) -> bool:
    """Whether a part of that span was complete before event `before`: the trend has taken it."""
    up_to = "" if until is None else "AND p.at_us <= ? AND (p.at_us < ? OR p.id <= ?)"
    values: list[Any] = [machine, before, since[0], *since]
    if until is not None:
        values += [until[0], *until]
    found = sql.value(
        f"SELECT 1 {_MEASURED} AND p.ended < ? AND p.at_us >= ? AND (p.at_us > ? OR p.id > ?) {up_to} LIMIT 1", values
    )
    return found is not None


def proposals_since(sql: "Sql", machine: str, statuses: Sequence[str], since: Place) -> list[Rested]:
    """Proposals with one of `statuses`, opened after a part later than `since`, oldest first."""
    rows = sql.rows(
        "SELECT o.id, o.register, o.status, o.payload, p.at_us, p.id FROM proposal o "
        "JOIN part p ON p.id = o.opened_part_id "
        f"WHERE o.machine = ? AND o.status IN ({marks(statuses)}) "
        "AND p.at_us >= ? AND (p.at_us > ? OR p.id > ?) ORDER BY o.seq",
        (machine, *statuses, since[0], *since),
    )
    return [
        Rested(id, register, status, (at_us, part_id), tuple(json.loads(payload).get("parts", ())))
        for id, register, status, payload, at_us, part_id in rows
    ]


def lifted_since(sql: "Sql", seq: int) -> bool:
    """Whether a person has lifted a doubt after event `seq`."""
    return sql.value("SELECT 1 FROM event WHERE kind = 'doubt-lifted' AND seq > ? LIMIT 1", (seq,)) is not None


def proposals_in_doubt(sql: "Sql", machine: str, words: str) -> list[dict[str, str]]:
    """Answered proposals that rest on readings in this doubt."""
    rows = sql.rows(
        "SELECT id, register, status FROM proposal WHERE machine = ? AND doubted = ? ORDER BY seq", (machine, words)
    )
    return [{"id": id, "register": register, "status": status} for id, register, status in rows]
