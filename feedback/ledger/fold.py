"""Applies events to the read tables. The one path for both: events as they happen, and the history read again.

Nothing here looks at a clock or decides anything: the same events always give the same tables.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, Protocol

from feedback.ledger.chain import Event, canonical
from feedback.ledger.rows import Numbers, Origin, Rows, rows_of
from feedback.ledger.sql import Sql, insert, upsert
from feedback.records import Record

Content = Mapping[str, Any]

INSERT_PART: Final = insert("part", "id machine stream line part plan at_us ended")
INSERT_MEASUREMENT: Final = insert("measurement", "id part_id feature line actual deviation_um temperature_c doubts")
INSERT_REGISTER: Final = insert("register_value", "id machine register value at_us stream line part_id seq")
INSERT_TOOL: Final = insert("new_tool", "id machine tool at_us stream line part_id seq")
INSERT_OTHER: Final = insert("other_record", "id machine kind at_us stream line part_id payload seq")
INSERT_UNREADABLE: Final = insert("unreadable", "id machine stream path line column_no text reason seq")
INSERT_PROPOSAL: Final = insert(
    "proposal", "id machine register status digest payload opened_part_id opened_at_us changed_at_us by_person note seq"
)
UPSERT_STREAM: Final = upsert(
    "stream", "id", "machine path head tail digest taken lines reader finished open_part_id last_at_us"
)
UPSERT_DECISION: Final = upsert("decision", "machine register", "part answer cause payload seq")
UPSERT_HOLD: Final = upsert("register_hold", "machine register", "locked growth_released")


class Rereader(Protocol):
    """Reads taken text again, under the configuration that was in force."""

    def configure(self, texts: Mapping[str, str]) -> None: ...

    def records(self, event: Event, reader: Content | None) -> Sequence[Record]: ...


class Fold:
    """Applies events through one connection; `numbers` are the next free ids."""

    def __init__(self, sql: Sql, numbers: Numbers, rereader: Rereader | None = None) -> None:
        self.sql = sql
        self.numbers = numbers
        self.rereader = rereader

    def apply(self, event: Event, records: Sequence[Record] | None = None) -> None:
        """Bring the read tables to where they are after `event`. ValueError for a kind nobody knows.

        `records` spare reading the taken text again.
        """
        if event.kind not in KINDS:
            raise ValueError(f"found an event of kind {event.kind!r}; wanted one of {', '.join(sorted(KINDS))}")
        if event.kind in TEXTS:
            self._text(event, records)
        else:
            _FOLDINGS[event.kind](self, event, event.content)

    def _text(self, event: Event, records: Sequence[Record] | None) -> None:
        content = event.content
        stream = self._stream(content["stream"])
        if records is None:
            if self.rereader is None:
                raise ValueError(f"the records of event {event.seq} ({event.kind}) are wanted together with it")
            reader = stream.get("reader")
            records = self.rereader.records(event, None if reader is None else json.loads(reader))
        origin = Origin(
            machine=_machine(event),
            stream=content["stream"],
            path=content["path"],
            seq=event.seq,
            taken_at_us=event.at_us,
            open_part_id=stream.get("open_part_id"),
            last_at_us=stream.get("last_at_us"),
        )
        rows = rows_of(records, origin, self.numbers)
        self._keep(rows, event)
        self._keep_stream(stream, content, rows, event)

    def _stream(self, stream: str) -> dict[str, Any]:
        found = self.sql.row(f"SELECT {', '.join(_STREAM_COLUMNS)} FROM stream WHERE id = ?", (stream,))
        return {} if found is None else dict(zip(_STREAM_COLUMNS, found, strict=True))

    def _keep(self, rows: Rows, event: Event) -> None:
        if rows.ended_earlier_part is not None:
            self.sql.run("UPDATE part SET ended = ? WHERE id = ?", (event.seq, rows.ended_earlier_part))
        self.sql.run_many(INSERT_PART, rows.parts)
        self.sql.run_many(INSERT_MEASUREMENT, rows.measurements)
        self.sql.run_many(INSERT_REGISTER, rows.register_values)
        self.sql.run_many(INSERT_TOOL, rows.new_tools)
        self.sql.run_many(INSERT_OTHER, rows.other_records)
        self.sql.run_many(INSERT_UNREADABLE, rows.unreadables)
        for _, machine, tool, *_ in rows.new_tools:
            self._forget_growth(machine, f"tool {tool} ")

    def _keep_stream(self, known: Content, content: Content, rows: Rows, event: Event) -> None:
        if event.kind == "taken":
            ends = (content["head"], content["tail"], content["stream_digest"], content["end"])
            lines = content["first_line"] + content["lines"] - 1
            reader = canonical(content["reader"])
        else:  # a half-written line is not taken: the stream stays where it was
            ends = tuple(known.get(name, unknown) for name, unknown in _NOTHING_TAKEN)
            lines, reader = known.get("lines", 0), None
        finished = event.kind == "closed"
        values = (_machine(event), content["path"], *ends, lines, reader, finished, rows.open_part_id, rows.last_at_us)
        self.sql.run(UPSERT_STREAM, (content["stream"], *values))

    def _forget_growth(self, machine: str, owner: str) -> None:
        """A new edge may grow without leave: what was allowed for the old one ends with it."""
        self.sql.run(
            "UPDATE register_hold SET growth_released = ? WHERE machine = ? AND register LIKE ?",
            (False, machine, owner + "%"),
        )

    def configuration(self, _: Event, content: Content) -> None:
        if self.rereader is not None:
            self.rereader.configure(content["texts"])

    def decision(self, event: Event, content: Content) -> None:
        """The register's latest decision takes the place of the one before."""
        self._decide(event, [content])

    def decided(self, event: Event, _: Content) -> None:
        """Many decisions at once, as a JSON list in the body; of each register the last one counts."""
        self._decide(event, json.loads(event.body or b"[]"))

    def _decide(self, event: Event, entries: Sequence[Content]) -> None:
        latest = {entry["register"]: entry for entry in entries}
        rows = [
            (_machine(event), name, entry["part"], entry["answer"], entry["cause"], canonical(entry), event.seq)
            for name, entry in latest.items()
        ]
        self.sql.run_many(UPSERT_DECISION, rows)

    def doubted(self, event: Event, content: Content) -> None:
        """Marks every measurement of the machine from one part to another, both included."""
        found = self.sql.rows(
            "SELECT m.id, m.doubts FROM measurement m JOIN part p ON p.id = m.part_id "
            "WHERE p.machine = ? AND p.id BETWEEN ? AND ?",
            (_machine(event), content["first_part_id"], content["last_part_id"]),
        )
        doubt = [content["check"], content["words"]]
        marked = [(json.dumps([*_doubts(kept), doubt], ensure_ascii=False), id_) for id_, kept in found]
        self.sql.run_many("UPDATE measurement SET doubts = ? WHERE id = ?", marked)

    def proposed(self, event: Event, content: Content) -> None:
        proposal = content["proposal"]
        self.sql.run(
            INSERT_PROPOSAL,
            (
                content["id"],
                _machine(event),
                content["register"],
                "open",
                content["digest"],
                canonical(proposal),
                content["part_id"],
                event.at_us,
                event.at_us,
                None,
                None,
                event.seq,
            ),
        )

    def answered(self, event: Event, content: Content) -> None:
        """A person's answer: accepted or rejected."""
        note = content["note"] if event.kind == "accepted" else content["why"]
        self._change(event, content["id"], content["by"], note)

    def ended(self, event: Event, content: Content) -> None:
        """Nobody's answer: the proposal expired, was withdrawn, or its effect has been seen."""
        self._change(event, content["id"], None, content["why"])

    def entered(self, event: Event, content: Content) -> None:
        """The proposed value was seen in the register; what was allowed for this one step has been used."""
        self._change(event, content["id"], None, None)
        self._hold(event, content["register"], growth_released=False)

    def wrong_way(self, event: Event, content: Content) -> None:
        """The reading moved against the promise: nothing more for this register until a person releases it."""
        self.ended(event, content)
        self._hold(event, content["register"], locked=content["why"])

    def locked(self, event: Event, content: Content) -> None:
        self._hold(event, content["register"], locked=content["why"])

    def released(self, event: Event, content: Content) -> None:
        if content["what"] == "lock":
            self._hold(event, content["register"], locked=None)
        else:
            self._hold(event, content["register"], growth_released=True)

    def only_history(self, _: Event, __: Content) -> None:
        """Some events change no table: they are there to be read."""

    def _change(self, event: Event, proposal: str, by: str | None, note: str | None) -> None:
        """What is None stays as it was: an entry does not wipe out who accepted it."""
        self.sql.run(
            "UPDATE proposal SET status = ?, changed_at_us = ?, by_person = coalesce(?, by_person), "
            "note = coalesce(?, note) WHERE id = ?",
            (event.kind, event.at_us, by, note, proposal),
        )

    def _hold(self, event: Event, register: str, **changes: object) -> None:
        machine = _machine(event)
        found = self.sql.row(
            "SELECT locked, growth_released FROM register_hold WHERE machine = ? AND register = ?", (machine, register)
        )
        if found is None and not any(changes.values()):
            return
        locked, growth_released = found or (None, False)
        hold = {"locked": locked, "growth_released": bool(growth_released), **changes}
        self.sql.run(UPSERT_HOLD, (machine, register, hold["locked"], hold["growth_released"]))


def next_numbers(sql: Sql) -> Numbers:
    """The next free id of every table."""

    def after_last(table: str) -> int:
        return int(sql.value(f"SELECT coalesce(max(id), 0) + 1 FROM {table}"))

    return Numbers(**{table: after_last(table) for table in Numbers.__slots__})


def _machine(event: Event) -> str:
    if event.machine is None:
        raise ValueError(f"event {event.seq} ({event.kind}) names no machine; wanted one")
    return event.machine


def _doubts(kept: str | None) -> list[Any]:
    doubts: list[Any] = json.loads(kept) if kept else []
    return doubts


_NOTHING_TAKEN = (("head", ""), ("tail", ""), ("digest", ""), ("taken", 0))
_STREAM_COLUMNS = ("head", "tail", "digest", "taken", "lines", "reader", "open_part_id", "last_at_us")

TEXTS: Final = frozenset({"taken", "closed"})
_FOLDINGS: Final[dict[str, Callable[[Fold, Event, Content], None]]] = {
    "configuration": Fold.configuration,
    "doubted": Fold.doubted,
    "decision": Fold.decision,
    "decided": Fold.decided,
    "proposed": Fold.proposed,
    "accepted": Fold.answered,
    "rejected": Fold.answered,
    "expired": Fold.ended,
    "withdrawn": Fold.ended,
    "entered": Fold.entered,
    "confirmed": Fold.ended,
    "unconfirmed": Fold.ended,
    "wrong-way": Fold.wrong_way,
    "hand-change": Fold.only_history,
    "locked": Fold.locked,
    "released": Fold.released,
}
KINDS: Final = TEXTS | _FOLDINGS.keys()
