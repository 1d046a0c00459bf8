"""Applies events to the read tables. The one path for both: events as they happen, and the history read again.

Nothing here looks at a clock or decides anything: the same events always give the same tables.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
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
INSERT_CHECK: Final = insert(
    "probe_check", "id machine probe what artefact at_us before_part_id result set_aside payload seq"
)
INSERT_DOUBT: Final = insert(
    "probe_doubt", "id machine probe since_us since_part_id until_us until_part_id words lifted seq"
)
UPSERT_STATE: Final = upsert("probe_state", "machine probe", "state payload seq")
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
        if rows.measurements:
            self._doubt_late_comers(_machine(event), rows.measurements[0][0])
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

    def checked(self, event: Event, content: Content) -> None:
        """Checks and calibrations of the machine's probes, each with its verdict."""
        rows = [
            (
                self.numbers.probe_check + k,
                _machine(event),
                check["probe"],
                check["what"],
                check["artefact"],
                *check["at"],
                check["result"],
                False,
                canonical(check),
                event.seq,
            )
            for k, check in enumerate(content["checks"])
        ]
        self.numbers.probe_check += len(rows)
        self.sql.run_many(INSERT_CHECK, rows)

    def doubted(self, event: Event, content: Content) -> None:
        """Marks every measurement of the machine after one place, up to another (or from now on, until it ends)."""
        until = content["until"] or (None, None)
        doubt = _Doubt(content["id"], tuple(content["since"]), tuple(until), content["words"])
        machine, span = _machine(event), (*doubt.since, *doubt.until)
        values = (doubt.id, machine, content["probe"], *span, doubt.words, False, event.seq)
        self.sql.run(INSERT_DOUBT, values)
        self._mark(machine, doubt)

    def doubt_ended(self, event: Event, content: Content) -> None:
        """What was measured after that place is believed."""
        until = tuple(content["until"])
        self.sql.run("UPDATE probe_doubt SET until_us = ?, until_part_id = ? WHERE id = ?", (*until, content["id"]))
        self._unmark(_machine(event), content["id"], until)

    def doubt_lifted(self, event: Event, content: Content) -> None:
        """A person answers for the readings: the marks come off, and what failed counts no more."""
        machine, probe = _machine(event), content["probe"]
        for id in content["ids"]:
            self.sql.run("UPDATE probe_doubt SET lifted = ? WHERE id = ?", (True, id))
            since = self.sql.row("SELECT since_us, since_part_id FROM probe_doubt WHERE id = ?", (id,))
            if since is not None:
                self._unmark(machine, id, tuple(since))
        self.sql.run(
            "UPDATE probe_check SET set_aside = ? WHERE machine = ? AND probe = ? AND result = ?",
            (True, machine, probe, "failed"),
        )
        self.sql.run(
            "UPDATE proposal SET doubted = NULL WHERE machine = ? AND doubted LIKE ?", (machine, f"probe {probe}:%")
        )

    def flagged(self, _: Event, content: Content) -> None:
        """What an answered proposal rests on is in doubt."""
        self.sql.run("UPDATE proposal SET doubted = ? WHERE id = ?", (content["why"], content["id"]))

    def probe_state(self, event: Event, content: Content) -> None:
        values = (_machine(event), content["probe"], content["state"], canonical(content), event.seq)
        self.sql.run(UPSERT_STATE, values)

    def _doubt_late_comers(self, machine: str, first_measurement: int) -> None:
        """A part that arrives late, or while the probe fails, lies in a span that is in doubt already."""
        found = self.sql.rows(
            "SELECT id, since_us, since_part_id, until_us, until_part_id, words FROM probe_doubt "
            "WHERE machine = ? AND lifted = ? ORDER BY id",
            (machine, False),
        )
        for id, since_us, since_part_id, until_us, until_part_id, words in found:
            doubt = _Doubt(id, (since_us, since_part_id), (until_us, until_part_id), words)
            self._mark(machine, doubt, first_measurement)

    def _mark(self, machine: str, doubt: "_Doubt", first_measurement: int = 0) -> None:
        inside, values = _span(doubt.since, doubt.until)
        found = self.sql.rows(
            f"{_DOUBTS} p.machine = ? AND m.id >= ? AND {inside}", (machine, first_measurement, *values)
        )
        mark = [doubt_check(doubt.id), doubt.words]
        marked = [(json.dumps([*_doubts(kept), mark], ensure_ascii=False), id_) for id_, kept in found]
        self.sql.run_many("UPDATE measurement SET doubts = ? WHERE id = ?", marked)

    def _unmark(self, machine: str, id: int, after: tuple[int, ...]) -> None:
        beyond, values = _span(after, (None, None))
        found = self.sql.rows(f"{_DOUBTS} p.machine = ? AND m.doubts IS NOT NULL AND {beyond}", (machine, *values))
        marked = [(_without(_doubts(kept), doubt_check(id)), id_) for id_, kept in found]
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


@dataclass(frozen=True, slots=True)
class _Doubt:
    """A doubt about everything a machine measured between two places."""

    id: int
    since: tuple[int, ...]
    until: tuple[int | None, ...]
    words: str


def doubt_check(id: int) -> str:
    """The name under which a measurement is marked with the probe's doubt number `id`."""
    return f"probe:{id}"


def _span(since: Sequence[int], until: Sequence[int | None]) -> tuple[str, tuple[int, ...]]:
    """The condition for parts after one place, up to another, and its values."""
    after = "p.at_us >= ? AND (p.at_us > ? OR p.id > ?)"
    values = (since[0], *since)
    if until[0] is None or until[1] is None:
        return after, values
    return f"{after} AND p.at_us <= ? AND (p.at_us < ? OR p.id <= ?)", (*values, until[0], until[0], until[1])


def _without(doubts: Sequence[Sequence[str]], check: str) -> str | None:
    left = [doubt for doubt in doubts if doubt[0] != check]
    return json.dumps(left, ensure_ascii=False) if left else None


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


_DOUBTS = "SELECT m.id, m.doubts FROM measurement m JOIN part p ON p.id = m.part_id WHERE"
_NOTHING_TAKEN = (("head", ""), ("tail", ""), ("digest", ""), ("taken", 0))
_STREAM_COLUMNS = ("head", "tail", "digest", "taken", "lines", "reader", "open_part_id", "last_at_us")

TEXTS: Final = frozenset({"taken", "closed"})
_FOLDINGS: Final[dict[str, Callable[[Fold, Event, Content], None]]] = {
    "configuration": Fold.configuration,
    "checked": Fold.checked,
    "doubted": Fold.doubted,
    "doubt-ended": Fold.doubt_ended,
    "doubt-lifted": Fold.doubt_lifted,
    "flagged": Fold.flagged,
    "probe-state": Fold.probe_state,
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
    "limits-adopted": Fold.only_history,
}
KINDS: Final = TEXTS | _FOLDINGS.keys()
