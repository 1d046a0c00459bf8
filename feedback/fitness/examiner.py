"""Takes what a text says of a machine's probes, judges it, and lets it have its effect on readings and proposals.

Works inside the transaction that keeps the text, before its readings are looked at: what is in doubt is marked by then.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from feedback.configuration.facts import Artefact, Configuration, Machine
from feedback.fitness.calibration import Values
from feedback.fitness.charting import worth_a_look
from feedback.fitness.judging import Entry, Said, entry_of, identity, seen_of, values_of
from feedback.fitness.standing import (
    LAST_ID,
    THE_BEGINNING,
    Clock,
    Doubted,
    Place,
    ProbeHistory,
    Seen,
    State,
    state,
    worst_of,
)
from feedback.ledger import probes, review
from feedback.ledger.chain import moment

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql
    from feedback.ledger.store import Writing

ANSWERED = ("accepted", "entered", "confirmed", "unconfirmed")


class Examiner:
    """One machine's probes. What it knows stands in the store: a new one goes on where the last one stopped."""

    def __init__(self, configuration: Configuration, machine: Machine, sql: "Sql") -> None:
        self.machine = machine
        self.artefacts: Mapping[str, Artefact] = {
            name: artefact for name, artefact in configuration.artefacts.items() if artefact.is_for(machine.name)
        }
        self._never_due = {
            name: replace(artefact, due_s=None, due_parts=None) for name, artefact in self.artefacts.items()
        }
        self._most = max((one.due_parts or 0 for one in self.artefacts.values()), default=0)
        self._looked: int | None = None  # the newest event when lifted doubts were last asked for
        self._asked: tuple[Place, State] | None = None
        self.withdrew = False  # the text taken last has withdrawn a proposal
        self._load(sql)

    def _load(self, sql: "Sql") -> None:
        name = self.machine.name
        rows = probes.checks(sql, name)
        self._seen = [seen_of(row.id, row.content) for row in rows if not row.set_aside]
        self._numbers = {row.probe for row in rows}
        self._known = {identity(row.content) for row in rows}
        self._charted: dict[int, str | None] = self._look_at_charts(rows)
        self._values: dict[int, Values] = {
            row.probe: values_of(row.content) for row in rows if row.what == "calibration" and row.content["values"]
        }
        self._doubts = {row.id: Doubted(**_span(row)) for row in probes.doubts(sql, name)}
        self._states = probes.states(sql, name)
        self._clock = Clock(probes.first_place(sql, name), probes.newest_places(sql, name, self._most + 1), self._most)
        self._arrange()

    def _look_at_charts(self, rows: Sequence[probes.CheckRow]) -> dict[int, str | None]:
        """By probe what its charts show of a drift or a step."""
        return {number: worth_a_look(rows, number, self.machine, self.artefacts) for number in self._numbers}

    def _arrange(self) -> None:
        self._numbers |= {self.machine.probe.number, *(one.probe for one in self._seen)}
        self.histories = [ProbeHistory(number, self._of(number)) for number in sorted(self._numbers)]

    def _of(self, probe: int) -> Iterable[Seen]:
        return (one for one in self._seen if one.probe == probe)

    # -- asked by the decisions --------------------------------------------------------------------------------------

    def states(self, place: Place) -> list[State]:
        """The state of every probe that the logs have named, at that place."""
        return [self._state(history, place) for history in self.histories]

    def _state(self, history: ProbeHistory, place: Place) -> State:
        """Checks fall due for the usual probe; another one may have been taken off and then need none."""
        if history.probe == self.machine.probe.number:
            return state(history, self.artefacts, self._clock, place)
        if history.is_empty:
            words = "what failed was set aside by a person, and no other check has been seen"
            return State(probe=history.probe, name="unchecked", words=words)
        return state(history, self._never_due, self._clock, place)

    def _worst(self, place: Place) -> State:
        """Asked for every register of a part in turn."""
        if self._asked is None or self._asked[0] != place:
            self._asked = place, worst_of(self.states(place))
        return self._asked[1]

    def doubt(self, place: Place, *, is_check_required: bool) -> str | None:
        """Why nothing may be proposed after the part at `place`; None where nothing speaks against the probe."""
        found = self._worst(place)
        if found.forbids:
            return f"probe {found.probe}: {found.words}"
        if is_check_required and found.name != "fit":
            return f"probe {found.probe}: {found.words}, and the limits require a check"
        return None

    def cautions(self, place: Place) -> list[str]:
        """What a reviewer should know of the probe beside a proposal."""
        found = self._worst(place)
        return [] if found.name == "fit" else [f"probe {found.probe} is {found.name}: {found.words}"]

    # -- told by the text --------------------------------------------------------------------------------------------

    def take(self, tx: "Writing", seq: int) -> bool:
        """What event `seq` says of the probes, and what follows from it. True: the trend must start over."""
        was_lifted = self._learn_of_lifted(tx)
        self._asked, self.withdrew = None, False
        self._clock.forget()
        if self.artefacts:
            self._clock.count(probes.places_of(tx.sql, self.machine.name, seq))
        said = probes.records(tx.sql, self.machine.name, seq)
        if said:
            self._judge(tx, [self._said(record) for record in said])
        marked = self._settle_doubts(tx, seq) if said else False
        self.keep_states(tx)
        return was_lifted or marked

    def _learn_of_lifted(self, tx: "Writing") -> bool:
        looked, self._looked = self._looked, tx.head.count
        if looked is None or not probes.lifted_since(tx.sql, looked):
            return False
        self._load(tx.sql)
        return True

    def _said(self, record: probes.ProbeRecord) -> Said:
        at = moment(record.place[0]).astimezone(self.machine.time_zone)
        return Said(kind=record.kind, content=record.content, place=record.place, at=at, source=record.source)

    def _judge(self, tx: "Writing", said: Sequence[Said]) -> None:
        entries: list[Entry] = []
        for one in sorted(said, key=lambda one: one.place):
            probe = one.content.get("probe") or self.machine.probe.number
            entry = entry_of(one, self._values.get(probe), self.machine, self.artefacts)
            if identity(entry) in self._known:
                continue
            self._known.add(identity(entry))
            if entry.get("values"):
                self._values[probe] = values_of(entry)
            entries.append(entry)
        if not entries:
            return
        first = tx.numbers.probe_check
        why = "; ".join(entry["words"] for entry in entries[-3:])
        tx.append("checked", self.machine.name, {"checks": entries, "why": why})
        self._seen += [seen_of(first + k, entry) for k, entry in enumerate(entries)]
        self._arrange()
        self._charted = self._look_at_charts(probes.checks(tx.sql, self.machine.name))

    def _settle_doubts(self, tx: "Writing", seq: int) -> bool:
        """Let the doubts kept in the history follow what has been seen. True: the trend has taken such readings."""
        is_late = False
        for wanted in (doubt for history in self.histories for doubt in history.doubts):
            known = self._doubts.get(wanted.id)
            if known is None:
                self._cast(tx, wanted)
                is_late |= probes.were_followed(tx.sql, self.machine.name, wanted.since, wanted.until, seq)
            elif known.until is None and wanted.until is not None:
                self._end(tx, wanted, wanted.until)
                is_late |= probes.were_followed(tx.sql, self.machine.name, wanted.until, None, seq)
            else:
                continue
            self._doubts[wanted.id] = wanted
        return is_late

    def _cast(self, tx: "Writing", doubt: Doubted) -> None:
        parts = probes.parts_within(tx.sql, self.machine.name, doubt.since, doubt.until)
        content = {
            "id": doubt.id,
            "probe": doubt.probe,
            "since": list(doubt.since),
            "until": None if doubt.until is None else list(doubt.until),
            "words": f"probe {doubt.probe}: {doubt.words}",
            "parts": len(parts),
            "why": f"{doubt.words} ({_reach(parts)})",
        }
        tx.append("doubted", self.machine.name, content)
        self._flag(tx, doubt, frozenset(parts))

    def _flag(self, tx: "Writing", doubt: Doubted, parts: frozenset[str]) -> None:
        """Proposals that rest on these readings: what nobody has answered is withdrawn, the others are flagged."""
        why = f"probe {doubt.probe}: {doubt.words}"
        for found in probes.proposals_since(tx.sql, self.machine.name, ("open", *ANSWERED), doubt.since):
            is_within = doubt.until is None or found.opened <= doubt.until
            if not is_within and parts.isdisjoint(found.parts):
                continue
            if found.status == "open":
                self.withdrew = True
                review.withdraw(tx, found.id, f"the readings it rests on are in doubt: {why}")
            else:
                tx.append("flagged", self.machine.name, {"id": found.id, "register": found.register, "why": why})

    def _end(self, tx: "Writing", doubt: Doubted, until: Place) -> None:
        why = "a later check passed: what is measured from then on is believed; what was measured before it is not"
        content = {"id": doubt.id, "probe": doubt.probe, "until": list(until), "why": why}
        tx.append("doubt-ended", self.machine.name, content)

    def keep_states(self, tx: "Writing") -> None:
        """Keep every probe's state that is news, for those who only look."""
        for content in self.kept_states():
            known = self._states.get(content["probe"])
            if known == content or (known is None and content["state"] == "unchecked"):
                continue
            tx.append("probe-state", self.machine.name, content)
            self._states[content["probe"]] = content

    def kept_states(self) -> list[dict[str, Any]]:
        """The state of every probe now, as it is kept and shown."""
        now = self.newest_place()
        return [self._state_content(found, now, self._states.get(found.probe)) for found in self.states(now)]

    def newest_place(self) -> Place:
        """The newest place of all."""
        newest = [self._clock.newest or THE_BEGINNING, *(one.place for one in self._seen)]
        return max(place[0] for place in newest), LAST_ID

    def _state_content(self, found: State, now: Place, known: Mapping[str, Any] | None) -> dict[str, Any]:
        since = self._time(found.since_us)
        if found.name == "due" and since is None:  # by parts: since it was first seen to be
            is_old = known is not None and known["state"] == "due"
            since = known["since"] if is_old and known is not None else self._time(now[0])
        due_parts = found.due_parts
        if due_parts is not None and found.due_artefact is not None:
            due_parts = self.artefacts[found.due_artefact].due_parts
        return {
            "probe": found.probe,
            "state": found.name,
            "words": found.words,
            "chart": self._charted.get(found.probe),
            "since": since,
            "due_on": found.due_artefact,
            "due_at": self._time(found.due_at_us),
            "due_after_parts": due_parts,
        }

    def _time(self, at_us: int | None) -> str | None:
        return None if at_us is None else moment(at_us).astimezone(self.machine.time_zone).isoformat()


def _span(row: probes.DoubtRow) -> dict[str, Any]:
    return {"id": row.id, "probe": row.probe, "since": row.since, "until": row.until, "words": row.words}


def _reach(parts: Sequence[str]) -> str:
    if len(parts) > 1:
        return f"{len(parts)} parts in doubt, {parts[0]} to {parts[-1]}"
    return f"part {parts[0]} in doubt" if parts else "no part in doubt"
