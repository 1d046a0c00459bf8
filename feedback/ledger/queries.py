"""Questions to the store. Needs only the standard library, until a table for analysis is asked for."""

import json
import sqlite3
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from feedback.errors import StoreError
from feedback.ledger.chain import EMPTY, Checkpoint, Event, moment
from feedback.ledger.sql import Sql, marks

if TYPE_CHECKING:
    import pandas

LIVE = ("open", "accepted")


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
    """Every event with a number above `after`, in order, one at a time. Without bodies the hashes cannot be checked."""
    import zlib

    columns = f"seq, at_us, kind, machine, payload, {'body' if bodies else 'NULL'}, prev, hash"
    for row in sql.run(f"SELECT {columns} FROM event WHERE seq > ? ORDER BY seq", (after,)):
        seq, at_us, kind, machine, payload, body, prev, sealed = tuple(row)
        text = None if body is None else zlib.decompress(body)
        yield Event(seq, at_us, kind, machine, payload, text, prev, sealed)


def latest(sql: Sql, kind: str) -> Event | None:
    """The newest event of `kind`, without its body."""
    seq = sql.value("SELECT max(seq) FROM event WHERE kind = ?", (kind,))
    return None if seq is None else next(events(sql, seq - 1, bodies=False))


def streams(sql: Sql, machine: str | None = None) -> list[StreamRow]:
    """Every stream of log text taken so far."""
    columns = "id, machine, path, head, tail, digest, taken, lines, reader, finished"
    found = sql.rows(f"SELECT {columns} FROM stream WHERE machine = coalesce(?, machine) ORDER BY id", (machine,))
    return [StreamRow(*row, None if reader is None else json.loads(reader), bool(end)) for *row, reader, end in found]


def newest_part(sql: Sql, machine: str) -> tuple[int, str, int] | None:
    """(id, part, time in us) of the part latest in time."""
    row = sql.row("SELECT id, part, at_us FROM part WHERE machine = ? ORDER BY at_us DESC, id DESC LIMIT 1", (machine,))
    return None if row is None else (row[0], row[1], row[2])


def decisions(sql: Sql, machine: str) -> list[dict[str, Any]]:
    """The latest decision of every register, as its event holds it."""
    found = sql.rows("SELECT payload FROM decision WHERE machine = ? ORDER BY register", (machine,))
    return [json.loads(payload) for (payload,) in found]


_PROPOSAL = (
    "SELECT id, machine, register, status, digest, payload, opened_part_id, opened_at_us, changed_at_us, by_person, "
    "note FROM proposal"
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


def newest_proposals(sql: Sql, machine: str) -> list[Proposal]:
    """The proposal opened last for each register, whatever became of it."""
    found = sql.rows(
        f"{_PROPOSAL} WHERE seq IN (SELECT max(seq) FROM proposal WHERE machine = ? GROUP BY register) "
        "ORDER BY register",
        (machine,),
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
    )


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
        {**json.loads(payload), "at_us": at_us, "part_id": part_id, "source": f"{machine}/{path}:{line}"}
        for payload, at_us, part_id, path, line in found
    ]


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


def answer_documents(folder: Path, address: str = "sqlite") -> dict[str, dict[str, Any]]:
    """Each machine's part of the answer as it was last written; empty before the first.

    StoreError when it cannot be read. A SQLite store is read directly: whoever stands at the machine waits for this.
    """
    if address == "sqlite":
        rows = _documents_of_file(folder / "state" / "trueup.sqlite")
    else:
        from feedback.ledger.store import Store

        with Store.open(folder, address, readonly=True) as store, store.reading() as sql:
            rows = sql.rows(_DOCUMENTS)
    return {machine: json.loads(payload) for machine, payload in rows}


_DOCUMENTS = "SELECT machine, payload FROM document ORDER BY machine"


def _documents_of_file(path: Path) -> list[tuple[Any, ...]]:
    if not path.is_file():
        return []
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=30)) as connection:
            return connection.execute(_DOCUMENTS).fetchall()
    except sqlite3.Error as fault:
        raise StoreError(f"{path}: the store cannot be read: {fault}; ask `trueup verify` what is wrong") from fault
