"""Every recorded text decided on again, with the recorded clock and whatever people did: by the live code itself.

The history is told once more to an empty store: its texts as they were believed, its people's answers, its
configurations. What the tool itself added is left for it to say again. Under the limits that were in force every
recorded decision must come out as it was recorded; under others, what they would have said of the very same parts.
"""

import json
from collections import Counter
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from feedback.answers import main_reasons
from feedback.configuration.facts import Configuration
from feedback.configuration.loading import LIMITS, from_texts
from feedback.ledger import queries, recent
from feedback.ledger.chain import Event, moment
from feedback.ledger.fold import TEXTS
from feedback.ledger.recent import News
from feedback.ledger.reread import RecordedTexts
from feedback.ledger.store import Store
from feedback.processing import Entry, MachineProcess
from feedback.replay.span import EVERYTHING, Span
from rules.evidence import Evidence
from rules.verdicts import Decision

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql
    from feedback.ledger.store import Writing

ANSWERS: Final = frozenset({"accepted", "rejected"})

Progress = Callable[[int, int], None]
Heard = Callable[[str, Entry], None]
Key = tuple[str, str]  # register, part


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One decision that came out otherwise than it was recorded; entries as the answer document has them."""

    machine: str
    register: str
    part: str
    recorded: str
    again: str
    recorded_words: str
    again_words: str


@dataclass(slots=True)
class Compared:
    """How many recorded decisions there are, how many came out the same to the last digit and word, and the others.

    `given` counts the recorded answers of every register, those included that only repeated what had been said.
    """

    recorded: int = 0
    same: int = 0
    differences: list[Difference] = field(default_factory=list)
    given: Counter[tuple[str, str, str]] = field(default_factory=Counter)  # machine, register, answer


def decided_again(
    sql: "Sql",
    folder: Path,
    scratch: Path,
    limits: str | None = None,
    machines: Sequence[str] | None = None,
    span: Span = EVERYTHING,
    progress: Progress | None = None,
    heard: Heard | None = None,
) -> Compared:
    """Tell the history of `sql` again in an empty store under `scratch`; `limits` is a limits.toml to put in force.

    Answers differ where a decision would have been another; under the limits in force also where only a word would.
    `heard` is told every decision made again with its machine: also those that only repeat what was said before.
    """
    total = queries.head(sql).count
    compared = Compared()
    with Store.open(scratch) as store, store.writing(moment(0)) as tx:
        again = _Again(tx, folder, limits, machines, span, compared, heard)
        for told in _tellings(queries.events(sql)):
            again.tell(told)
            if progress is not None:
                progress(told[-1].seq, total)
    return compared


def _tellings(events: Iterator[Event]) -> Iterator[list[Event]]:
    """What came from outside, each with what the tool said to it."""
    told: list[Event] = []
    for event in events:
        if told and _is_from_outside(event):
            yield told
            told = []
        told.append(event)
    if told:
        yield told


def _is_from_outside(event: Event) -> bool:
    """Text, a configuration, or something a person said; the rest is the tool's own."""
    return event.kind in TEXTS or event.kind == "configuration" or bool(event.content.get("by"))


class _Process(MachineProcess):
    """One machine, live, that keeps every decision it makes."""

    made: dict[tuple[str, str], Entry]

    def begin(self) -> None:
        self.made = {}

    def _is_left_alone(self, line: Any) -> bool:  # noqa: ARG002
        return False

    def _news_of(self, evidence: Evidence, decision: Decision, *, at_edge: bool) -> Entry | None:
        entry = super()._news_of(evidence, decision, at_edge=True)
        if entry is not None:
            self.made[evidence.register, evidence.part] = entry
        return entry if at_edge else None

    def _inspect(self, line: Any, feature: Any, moment: Any) -> Entry:
        entry = super()._inspect(line, feature, moment)
        self.made[entry["register"], entry["part"]] = entry
        return entry


class _Again:
    def __init__(
        self,
        tx: "Writing",
        folder: Path,
        limits: str | None,
        machines: Sequence[str] | None,
        span: Span,
        compared: Compared,
        heard: Heard | None = None,
    ) -> None:
        self.heard = heard
        self.tx, self.folder, self.limits, self.machines = tx, folder, limits, machines
        self.span, self.compared = span, compared
        self.texts = RecordedTexts(folder)
        self.configuration: Configuration | None = None
        self.processes: dict[str, _Process] = {}
        self.ids: dict[str, str] = {}  # recorded proposal -> the one made again
        self.said: dict[tuple[str, str], Entry] = {}  # what was recorded of a register last

    def tell(self, told: Sequence[Event]) -> None:
        event = told[0]
        self.tx.at, self.tx.at_us = moment(event.at_us), event.at_us
        if event.kind == "configuration":
            self._configure(event)
        elif event.kind in ANSWERS:
            self._answer(event)
        elif event.kind not in TEXTS:
            self.tx.append(event.kind, event.machine, event.content)
        elif self.machines is None or event.machine in self.machines:
            self._take(event, told[1:])

    def _configure(self, event: Event) -> None:
        texts = dict(event.content["texts"])
        if self.limits is not None:
            texts[LIMITS] = self.limits
        self.texts.configure(texts)
        self.configuration = from_texts(self.folder, texts)
        self.processes = {}
        self.tx.append("configuration", None, {"digest": self.configuration.digest, "texts": texts})

    def _answer(self, event: Event) -> None:
        """A person's answer, to the proposal that takes the place of the one answered; else to nothing."""
        content = dict(event.content)
        own = self.ids.get(content["id"])
        found = None if own is None else queries.proposal(self.tx.sql, own)
        if found is None or found.status != "open":
            return
        self.tx.append(event.kind, event.machine, {**content, "id": found.id, "digest": found.digest})

    def _take(self, event: Event, said: Sequence[Event]) -> None:
        assert self.configuration is not None
        assert event.machine is not None
        machine, tx = event.machine, self.tx
        process = self.processes.get(machine)
        if process is None:
            process = _Process(self.configuration, self.configuration.machines[machine], tx.sql)
            self.processes[machine] = process
        state = recent.stream_state(tx.sql, event.content["stream"])
        records = self.texts.records(event, None if state is None else state[0])
        seq = tx.append(event.kind, machine, event.content, body=event.body, records=records)
        process.examine(tx, seq)
        news = recent.brought_by(tx.sql, machine, seq)
        entries = [entry for one in said if one.kind == "decided" for entry in json.loads(one.body or b"[]")]
        process.begin()
        process.take(tx, news, at_edge=_was_at_edge(process, news, entries))
        self._remember_proposals(machine, said)
        within = {row.part for row in news.measurements if self.span.holds(row.at_us)}
        self._compare(machine, process.made, entries, within)

    def _remember_proposals(self, machine: str, said: Sequence[Event]) -> None:
        live = {proposal.register: proposal.id for proposal in queries.proposals(self.tx.sql, machine)}
        for one in said:
            if one.kind == "proposed" and one.content["register"] in live:
                self.ids[one.content["id"]] = live[one.content["register"]]

    def _compare(
        self, machine: str, made: Mapping[Key, Entry], entries: Sequence[Entry], within: Container[str]
    ) -> None:
        recorded = {(entry["register"], entry["part"]): entry for entry in entries}
        for key, entry in recorded.items():
            if key[1] in within:
                self.compared.recorded += 1
                self.compared.same += made.get(key) == entry
        for key, entry in made.items():
            if self.heard is not None:
                self.heard(machine, entry)
            self.said[machine, key[0]] = before = recorded.get(key) or self.said.get((machine, key[0])) or entry
            if key[1] in within:
                self.compared.given[machine, key[0], before["answer"]] += 1
                if before["answer"] != entry["answer"]:
                    self.compared.differences.append(_difference(machine, before, entry))


def _was_at_edge(process: MachineProcess, news: News, entries: Sequence[Entry]) -> bool:
    """Whether no newer text was waiting: then every register of what was read has an entry for its newest part."""
    recorded = {(entry["register"], entry["part"]) for entry in entries}
    touched = False
    for line in process.lines:
        parts = [one.part for one in news.of(line.group) if hasattr(one, "part")]
        for name in line.register_names if parts else ():
            touched = True
            if (name, parts[-1]) not in recorded:
                return False
    return touched or bool(entries)


def _difference(machine: str, recorded: Entry, again: Entry) -> Difference:
    return Difference(
        machine=machine,
        register=again["register"],
        part=again["part"],
        recorded=recorded["answer"],
        again=again["answer"],
        recorded_words="; ".join(main_reasons(recorded)),
        again_words="; ".join(main_reasons(again)),
    )
