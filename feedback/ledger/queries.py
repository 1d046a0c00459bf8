"""Questions to the store. Needs only the standard library, until a table for analysis is asked for."""

import json
import zlib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from feedback.errors import StoreError
from feedback.ledger.chain import EMPTY, Checkpoint, Event
from feedback.ledger.chain import moment as moment
from feedback.ledger.sql import Sql, marks

if TYPE_CHECKING:
    import pandas

    from feedback.registers import Register

LIVE = ("open", "accepted")
EFFECT = ("gain", "gain_low", "gain_high", "parts", "why")
DECIDED_LOOKED_BACK = 200  # events in which the beginning of an answer is looked for
BYTES_LOOKED_BACK = 2_000_000  # likewise, of their texts: somebody is waiting for the page
EVENTS_AT_ONCE = 100  # their texts are in memory together, up to about a megabyte each


Ask = Callable[[str, Sequence[Any]], Sequence[Sequence[Any]]]  # one query; `Sql.rows` is one, `status.asking` another


class StreamRow(NamedTuple):
    """How far one stream of log text has been taken."""

    id: str
    machine: str
    path: str
    head: str
    tail: str
    digest: str
    taken: int
    lines: int
    reader: dict[str, Any] | None
    finished: bool


class UnreadableRow(NamedTuple):
    """One line that could not be understood."""

    machine: str
    path: str
    line: int
    column: int
    text: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """One proposal as it stands. `content` is what was proposed, `digest` seals it."""

    id: str
    machine: str
    register: str
    status: str
    digest: str
    content: Mapping[str, Any]
    opened_part_id: int | None
    opened_at: datetime
    changed_at: datetime
    by: str | None
    note: str | None
    doubted: str | None = None  # why the readings it rests on are no longer believed


class Hold(NamedTuple):
    """What stands against a register, or has been allowed for it."""

    locked: str | None = None
    growth_released: bool = False


class Snapshot(NamedTuple):
    """The trend's memory of one group."""

    shape_digest: str
    part_id: int | None
    at_us: int
    text: str


def head(sql: Sql) -> Checkpoint:
    """How far the history reaches."""
    last = sql.row("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1")
    return EMPTY if last is None else Checkpoint(*last)


def events(sql: Sql, after: int = 0, *, bodies: bool = True) -> Iterator[Event]:
    """Every event with a number above `after`, in order, a few at a time. Without bodies the hashes cannot be checked.

    StoreError for a body that cannot be unpacked.
    """
    columns = f"seq, at_us, kind, machine, payload, {'body' if bodies else 'NULL'}, prev, hash"
    batch = f"SELECT {columns} FROM event WHERE seq > ? ORDER BY seq LIMIT {EVENTS_AT_ONCE}"
    while rows := sql.rows(batch, (after,)):
        for row in rows:
            seq, at_us, kind, machine, payload, body, prev, sealed = row
            yield Event(seq, at_us, kind, machine, payload, _unpacked(seq, body), prev, sealed)
        after = rows[-1][0]


def _unpacked(seq: int, body: bytes | None) -> bytes | None:
    try:
        return None if body is None else zlib.decompress(body)
    except zlib.error as fault:
        raise StoreError(f"event {seq}: its text cannot be unpacked ({fault}); it was changed or damaged") from fault


def latest(sql: Sql, kind: str) -> Event | None:
    """The newest event of `kind`, without its body."""
    seq = sql.value("SELECT max(seq) FROM event WHERE kind = ?", (kind,))
    if seq is None:
        return None
    row = sql.row("SELECT seq, at_us, kind, machine, payload, NULL, prev, hash FROM event WHERE seq = ?", (seq,))
    return None if row is None else Event(*row)


def streams(sql: Sql, machine: str | None = None) -> list[StreamRow]:
    """Every stream of log text taken so far."""
    columns = "id, machine, path, head, tail, digest, taken, lines, reader, finished"
    found = sql.rows(f"SELECT {columns} FROM stream WHERE machine = coalesce(?, machine) ORDER BY id", (machine,))
    return [
        StreamRow._make((*row, None if reader is None else json.loads(reader), bool(finished)))
        for *row, reader, finished in found
    ]


def register_values(sql: Sql, machine: str) -> "dict[Register, Decimal]":
    """What each register was last printed to hold (mm or degrees, radius-valued)."""
    from feedback.registers import register

    found = sql.rows(
        "SELECT register, value FROM register_value WHERE id IN "
        "(SELECT max(id) FROM register_value WHERE machine = ? GROUP BY register) ORDER BY register",
        (machine,),
    )
    return {register(name): Decimal(value) for name, value in found}


def evidence_lines(sql: Sql, machine: str, features: Collection[str], parts: int) -> list[str]:
    """Where the last `parts` parts' readings of the given features stand, oldest first: "M1/20261125.txt:214".

    Doubted readings are no evidence.
    """
    names = sorted(features)
    if not names:
        return []
    wanted = f"{{0}}.feature IN ({marks(names)}) AND {{0}}.doubts IS NULL"
    newest = (
        "SELECT q.id FROM part q WHERE q.machine = ? AND q.ended IS NOT NULL AND EXISTS "
        f"(SELECT 1 FROM measurement n WHERE n.part_id = q.id AND {wanted.format('n')}) "
        "ORDER BY q.at_us DESC, q.id DESC LIMIT ?"
    )
    found = sql.rows(
        "SELECT s.path, m.line FROM measurement m JOIN part p ON p.id = m.part_id JOIN stream s ON s.id = p.stream "
        f"WHERE {wanted.format('m')} AND p.id IN ({newest}) ORDER BY p.at_us, p.id, m.id",
        (*names, machine, *names, parts),
    )
    return [f"{path}:{line}" for path, line in found]


def decisions(sql: Sql, machine: str) -> list[dict[str, Any]]:
    """The latest decision of every register, as its event holds it."""
    found = sql.rows("SELECT payload FROM decision WHERE machine = ? ORDER BY register", (machine,))
    return [json.loads(payload) for (payload,) in found]


_PROPOSAL = (
    "SELECT id, machine, register, status, digest, payload, opened_part_id, opened_at_us, changed_at_us, by_person, "
    "note, doubted FROM proposal"
)


def proposal(sql: Sql, id: str) -> Proposal | None:
    """The proposal called `id`."""
    row = sql.row(f"{_PROPOSAL} WHERE id = ?", (id,))
    return None if row is None else _proposal(row)


def proposals(sql: Sql, machine: str | None = None, statuses: Collection[str] = LIVE) -> list[Proposal]:
    """Proposals with one of `statuses` (by default those that still wait for somebody), oldest first."""
    names = sorted(statuses)
    found = sql.rows(
        f"{_PROPOSAL} WHERE machine = coalesce(?, machine) AND status IN ({marks(names)}) ORDER BY seq",
        (machine, *names),
    )
    return [_proposal(row) for row in found]


def _proposal(row: Sequence[Any]) -> Proposal:
    return Proposal(
        id=row[0],
        machine=row[1],
        register=row[2],
        status=row[3],
        digest=row[4],
        content=json.loads(row[5]),
        opened_part_id=row[6],
        opened_at=moment(row[7]),
        changed_at=moment(row[8]),
        by=row[9],
        note=row[10],
        doubted=row[11],
    )


def people_spoke(sql: Sql, since: int) -> bool:
    """Whether a person answered a proposal or released a register after event `since`, or a register was locked."""
    kinds = ("accepted", "rejected", "released", "locked", "doubt-lifted")
    found = sql.value(f"SELECT 1 FROM event WHERE seq > ? AND kind IN ({marks(kinds)}) LIMIT 1", (since, *kinds))
    return found is not None


def holds(sql: Sql, machine: str) -> dict[str, Hold]:
    """Registers (by name) that are locked, or were released for growth."""
    found = sql.rows(
        "SELECT register, locked, growth_released FROM register_hold WHERE machine = ? ORDER BY register", (machine,)
    )
    return {name: Hold(locked, bool(growth)) for name, locked, growth in found}


def parts_since(sql: Sql, machine: str, seq: int) -> int:
    """How many parts of the machine were completed after event `seq`."""
    return int(sql.value("SELECT count(*) FROM part WHERE machine = ? AND ended > ?", (machine, seq)))


def is_locked_until_change(sql: Sql, machine: str, register: str) -> bool:
    """Whether all that locks the register ends with its next change: no lock since its last release outlasts that."""
    locks = locks_in_force(sql, machine, register)
    return bool(locks) and all(lock.get("until") == "change" for lock in locks)


def locks_in_force(sql: Sql, machine: str, register: str) -> list[dict[str, Any]]:
    """What has locked the register since its last release, newest first, as its events say it."""
    locks = []
    for event in reversed(story(sql, machine, ("locked", "wrong-way", "released"))):
        content = event.content
        if content["register"] != register or content.get("what") == "growth":
            continue
        if event.kind == "released":
            break
        locks.append(content)
    return locks


def effect(sql: Sql, id: str) -> dict[str, Any] | None:
    """What proposal `id` was found to do: `status`, `gain` with its 95 % interval, `parts`, `why`; None until then."""
    for event in story(sql, kinds=("confirmed", "unconfirmed", "wrong-way")):
        if event.content["id"] == id:
            return {"status": event.kind, **{key: event.content.get(key) for key in EFFECT}}
    return None


def unreadables(sql: Sql, machine: str | None = None, after: int = 0) -> list[UnreadableRow]:
    """Lines that could not be understood, taken since event `after`, in order of arrival."""
    found = sql.rows(
        "SELECT machine, path, line, column_no, text, reason FROM unreadable "
        "WHERE machine = coalesce(?, machine) AND seq > ? ORDER BY id",
        (machine, after),
    )
    return [UnreadableRow(*row) for row in found]


def other_records(sql: Sql, machine: str, kind: str, after: int = 0) -> list[dict[str, Any]]:
    """Records of one kind (miss, setter, artefact, calibration, repeat) taken since event `after`.

    Each is what the log said plus `at_us`, `part_id` and `source` ("M1/20261125.txt:214"); exact values are text.
    """
    found = sql.rows(
        "SELECT o.payload, o.at_us, o.part_id, s.path, o.line "
        "FROM other_record o LEFT JOIN stream s ON s.id = o.stream "
        "WHERE o.machine = ? AND o.kind = ? AND o.seq > ? ORDER BY o.id",
        (machine, kind, after),
    )
    return [
        {**json.loads(payload), "at_us": at_us, "part_id": part_id, "source": f"{path}:{line}"}
        for payload, at_us, part_id, path, line in found
    ]


class Part(NamedTuple):
    """A part by its name, and when it was measured."""

    name: str
    at_us: int


class SaidSince(NamedTuple):
    """Since which part a register has had its present answer; `is_longer` when it goes back further than was looked."""

    part: str
    is_longer: bool


def newest_event(ask: Ask) -> int:
    """The number of the newest event, 0 before the first."""
    ((seq,),) = ask("SELECT coalesce(max(seq), 0) FROM event", ())
    return int(seq)


def newest_part(ask: Ask, machine: str, name: str | None = None) -> Part | None:
    """The newest complete part of a machine, or the newest one called `name`."""
    named = "" if name is None else "AND part = ? "
    found = ask(
        f"SELECT part, at_us FROM part WHERE machine = ? AND ended IS NOT NULL {named}"
        "ORDER BY at_us DESC, id DESC LIMIT 1",
        (machine,) if name is None else (machine, name),
    )
    return Part(*found[0]) if found else None


def said_since(ask: Ask, machine: str, register: str, answer: str) -> SaidSince | None:
    """Since which part `register` has been answered `answer`, looking back a bounded way; None when it is not."""
    rows = ask(
        "SELECT seq, body FROM event WHERE kind = 'decided' AND machine = ? ORDER BY seq DESC LIMIT ?",
        (machine, DECIDED_LOOKED_BACK),
    )
    since, looked = None, 0
    for seq, body in rows:
        text = _unpacked(seq, body) or b"[]"
        looked += len(text)
        for entry in reversed(json.loads(text)):
            if entry["register"] != register:
                continue
            if entry["answer"] != answer:
                return since
            since = SaidSince(entry["part"], is_longer=False)
        if looked > BYTES_LOOKED_BACK:
            return None if since is None else since._replace(is_longer=True)
    return None if since is None else since._replace(is_longer=len(rows) == DECIDED_LOOKED_BACK)


def locked_at(ask: Ask, machine: str, register: str) -> int | None:
    """When a register was locked last, microseconds UTC."""
    rows = ask(
        "SELECT at_us, payload FROM event WHERE kind IN ('locked', 'wrong-way') AND machine = ? "
        "ORDER BY seq DESC LIMIT 100",
        (machine,),
    )
    return next((at_us for at_us, payload in rows if json.loads(payload)["register"] == register), None)


def about(sql: Sql, id: str) -> list[Event]:
    """Everything the history says of one proposal, oldest first."""
    rows = sql.rows(
        "SELECT seq, at_us, kind, machine, payload, prev, hash FROM event WHERE kind NOT IN ('taken', 'closed', "
        "'decided', 'configuration') AND payload LIKE ? ORDER BY seq",
        (f'%"id":"{id}"%',),
    )
    events = [
        Event(seq, at, kind, machine, payload, None, prev, sealed)
        for seq, at, kind, machine, payload, prev, sealed in rows
    ]
    return [event for event in events if event.content.get("id") == id]


def snapshot(sql: Sql, machine: str, group_key: str) -> Snapshot | None:
    """The trend's memory of one group, if it was kept."""
    row = sql.row(
        "SELECT shape_digest, part_id, at_us, snapshot FROM checkpoint WHERE machine = ? AND group_key = ?",
        (machine, group_key),
    )
    return None if row is None else Snapshot(*row)


def story(sql: Sql, machine: str | None = None, kinds: Collection[str] = (), last: int | None = None) -> list[Event]:
    """The history for reading, oldest first and without the texts: by default all kinds, all machines, everything."""
    conditions, values = ["1 = 1"], list[Any]()
    if machine is not None:
        conditions.append("(machine = ? OR machine IS NULL)")
        values.append(machine)
    if kinds:
        names = sorted(kinds)
        conditions.append(f"kind IN ({marks(names)})")
        values += names
    limit = "" if last is None else f"LIMIT {int(last)}"
    found = sql.rows(
        "SELECT seq, at_us, kind, machine, payload, prev, hash FROM event "
        f"WHERE {' AND '.join(conditions)} ORDER BY seq DESC {limit}",
        values,
    )
    return [
        Event(seq, at_us, kind, machine, payload, None, prev, sealed)
        for seq, at_us, kind, machine, payload, prev, sealed in reversed(found)
    ]


def measurements(sql: Sql, machine: str | None = None) -> "pandas.DataFrame":
    """Every measurement: one row each, deviation in micrometres (millidegrees), exact actual as text, time in UTC."""
    import pandas

    frame = pandas.read_sql_query(
        sql.driver(
            "SELECT p.machine, p.part, p.plan, p.at_us AS at, m.feature, m.actual, m.deviation_um, m.temperature_c, "
            "m.doubts, s.path, m.line "
            "FROM measurement m JOIN part p ON p.id = m.part_id LEFT JOIN stream s ON s.id = p.stream "
            "WHERE p.machine = coalesce(?, p.machine) ORDER BY p.at_us, p.id, m.id"
        ),
        sql.connection,
        params=(machine,),
    )
    frame["at"] = pandas.to_datetime(frame["at"], unit="us", utc=True)
    return frame


def history(sql: Sql, machine: str | None = None) -> "pandas.DataFrame":
    """Every event without its text: number, time in UTC, kind, machine, payload as a dict, hash."""
    import pandas

    rows = [
        (event.seq, moment(event.at_us), event.kind, event.machine, event.content, event.hash)
        for event in story(sql, machine)
    ]
    frame = pandas.DataFrame.from_records(rows, columns=["seq", "at", "kind", "machine", "payload", "hash"])
    frame["at"] = pandas.to_datetime(frame["at"], utc=True)
    return frame
