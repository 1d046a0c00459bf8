"""One machine from new log text to decisions and proposals.

The rules answer for every part. A proposal is opened only for the newest part there is: nobody can review the past.
Everything that happens here is appended to the ledger inside the transaction that also keeps the text it rests on.
"""

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from feedback import answers
from feedback.cause import decided_cause
from feedback.common import QUIET
from feedback.configuration.facts import Configuration, Feature, Group, Machine
from feedback.configuration.groups import groups
from feedback.configuration.plans import plans_for
from feedback.configuration.words import amount
from feedback.desk import Desk
from feedback.effect import NOTHING, Effects, Finding, Step
from feedback.evidence import Forecast, Glimpse, Witness, feature_evidence
from feedback.fitness.examiner import Examiner
from feedback.follow import Change, Follower, Happening, Moment, PartPassed, PartSeen, Progress, Track
from feedback.ledger import queries, recent
from feedback.ledger.recent import News
from feedback.locks import cause_told
from feedback.missed import MissWatch
from feedback.registers import Register, register, tool_register
from feedback.screen import Screen
from feedback.series import ToolRow
from feedback.setter import SetterWatch
from feedback.stretch import KEPT, SPAN
from feedback.weighing import Weighing
from rules.catalogue import BREAK_RULES, SIZE_RULES
from rules.engine import decide
from rules.evidence import Evidence
from rules.limits import Limits
from rules.verdicts import Decision

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql
    from feedback.ledger.store import Writing
    from feedback.trend.tracker import Outlooks

PARTS_BETWEEN_SNAPSHOTS = 50  # a restart replays about this many parts and those that causes are weighed over
PARTS_AFTER_A_NEW_PLAN = 400  # when the plan has changed, the trend starts again from this many parts

LEFT_ALONE = ("leave",)

Entry = dict[str, Any]


class GroupLine:
    """One coupling group at work: its follower, and the newest part with what it was judged on."""

    def __init__(self, group: Group, machine: Machine, configuration: Configuration) -> None:
        self.group = group
        self.machine = machine
        self.witnesses = [Witness(group, register, machine) for register in group.registers]
        self.limits = [configuration.limits.for_register(machine.name, register) for register in group.registers]
        self.plain_limits = configuration.limits.default
        self.digest = _digest(group, machine)
        self.screen = Screen(group, self.limits)
        self.feature_keys = frozenset(feature.key for feature in group.features)
        self.register_names = frozenset(str(register) for register in group.registers)
        self.follower = Follower(group, machine)
        self.effects = Effects(group, self.limits, machine.tool_radius)
        self.lag = machine.lag  # parts usually cut between probing and entry, as far as is known
        self._newest: tuple[Moment, Outlooks | None] | None = None
        self._kept_parts = 0
        self._drawn: _Memory | None = None

    def restore(self, sql: "Sql") -> Progress:
        """Take up where the last run stopped: the kept memory, then everything since."""
        kept = queries.snapshot(sql, self.machine.name, self.group.key)
        memory = json.loads(kept.text) if kept is not None and kept.shape_digest == self.digest else None
        self.follower = Follower(self.group, self.machine, memory)
        self.effects = Effects(self.group, self.limits, self.machine.tool_radius, (memory or {}).get("effects"))
        self._kept_parts, self._drawn = self.follower.parts, None
        after = None if memory is None else self.follower.last
        news = recent.since(sql, self.machine.name, sorted(self.feature_keys), after, PARTS_AFTER_A_NEW_PLAN)
        return self.advance(news.of(self.group))[0]

    def is_late(self, happenings: Sequence[Happening]) -> bool:
        """Something arrived that belongs before what has been taken already."""
        read = (happening for happening in happenings if not isinstance(happening, PartPassed))
        return any(happening.at_us < self.follower.last[0] for happening in read)

    def advance(self, happenings: Sequence[Happening]) -> tuple[Progress, Forecast | None, Sequence[Step]]:
        """Follow what happened; the newest part stays at hand for a register printed after it."""
        progress = self.follower.advance(happenings)
        if progress.moments:
            outlooks = progress.outlooks
            self._newest = (progress.moments[-1], None if outlooks is None else outlooks[-1:])
        return progress, self._forecast(progress.outlooks), self.effects.follow(progress)

    def newest(self) -> tuple[Moment, Forecast | None] | None:
        """The newest part, with everything that has been seen of its registers since."""
        if self._newest is None:
            return None
        moment, outlooks = self._newest
        return replace(moment, tracks=self.follower.tracks), self._forecast(outlooks)

    def _forecast(self, outlooks: "Outlooks | None") -> Forecast | None:
        return None if outlooks is None else Forecast(outlooks, self.lag)

    def due_snapshot(self) -> "_Memory | None":
        """The memory to keep before new parts are taken.

        It is drawn some parts earlier than it is kept: a restart has to see again all parts that causes are weighed
        over, and always has a part to look at.
        """
        parts, kept = self.follower.parts, None
        if self._drawn is not None and parts - self._kept_parts >= KEPT:
            kept, self._drawn = self._drawn, None
        if self._drawn is None and parts - self._kept_parts >= PARTS_BETWEEN_SNAPSHOTS:
            at_us, part_id = self.follower.last
            text = json.dumps({**self.follower.snapshot(), "effects": self.effects.snapshot()})
            self._kept_parts, self._drawn = parts, _Memory(part_id, at_us, text)
        return kept


class _Memory(NamedTuple):
    """What is kept of a group after one part."""

    part_id: int
    at_us: int
    text: str


class MachineProcess:
    """Follows one machine: the news of one taken text at a time, inside the transaction that keeps the text."""

    def __init__(self, configuration: Configuration, machine: Machine, sql: "Sql") -> None:
        self.machine = machine
        self.desk = Desk(configuration, machine)
        self.lines = [GroupLine(group, machine, configuration) for group in groups(configuration, machine.name)]
        grouped = frozenset[str]().union(*(line.register_names for line in self.lines))
        self._loose = _LooseRegisters(queries.register_values(sql, machine.name), grouped)
        self._grouped = grouped
        self._said: dict[str, tuple[str, ...]] = {}
        self._weighing = Weighing([line.group for line in self.lines], configuration.limits.likelihood)
        self.examiner = Examiner(configuration, machine, sql)
        self._afresh = False  # what is believed of earlier readings has changed
        self._setter = _setter_watch(configuration, machine)
        self._missed = MissWatch(plans_for(configuration.plans.values(), machine.name))
        for row in recent.tools_and_setters(sql, machine.name):
            if isinstance(row, ToolRow):
                self._setter.new_tool(row)
                self._missed.new_tool(row)
            else:
                self._setter.see(row)
        self._weighing.take_up([(line.group, line.restore(sql)) for line in self.lines])

    def examine(self, tx: "Writing", seq: int) -> None:
        """What event `seq` says of the probes, before its readings are asked for: by then they are marked."""
        self._afresh |= self.examiner.take(tx, seq)
        if self.examiner.withdrew:
            self.desk.look_again()

    def take(self, tx: "Writing", news: News, *, at_edge: bool) -> None:
        """Everything that follows from one taken text. `at_edge`: no newer text is waiting behind it."""
        self.desk.refresh(tx)
        lag = self.desk.lag(tx.sql)
        for line in self.lines:
            line.lag = lag
        for row in news.tools:
            self.desk.tool_changed(tx, row.tool, row.source)
        looked_at = self._look_at_setter(tx, news) | self._look_for_missing(tx, news, at_edge=at_edge)
        for change in self._loose.changes(news):
            self.desk.register_changed(tx, change)
        entries: list[Entry] = []
        followed = [self._follow(tx, line, news.of(line.group)) for line in self.lines]
        self._weighing.take((one.line.group, one.progress) for one in followed if one.progress and not one.is_anew)
        for one in followed:
            if one.is_anew:  # sees its newest parts once more, those of this text among them
                self._start_over(tx, one.line)
        self._weighing.expect(moment for one in followed for moment in one.to_be_judged())
        for one in followed:
            entries += self._decide(tx, one, at_edge=at_edge)
            if at_edge and looked_at.intersection(one.line.group.registers) and not one.brings_a_part:
                entries += self._judge_newest(tx, one.line)
        self._afresh = False
        entries += [self._say_of_tool(one) for one in sorted(looked_at) if str(one) not in self._grouped]
        if at_edge:
            self._lock_what_moved_together(tx)
        if entries:
            body = json.dumps(entries, separators=(",", ":"), ensure_ascii=False).encode()
            tx.append("decided", self.machine.name, {"decisions": len(entries)}, body=body)

    def _follow(self, tx: "Writing", line: GroupLine, happenings: Sequence[Happening]) -> "_Followed":
        """Let a group see what happened, before anything is said of any of them."""
        found = _Followed(line, happenings)
        is_late = line.is_late(happenings)
        if happenings and not is_late:
            memory = line.due_snapshot()
            if memory is not None:
                tx.keep_snapshot(self.machine.name, line.group.key, line.digest, *memory)
            found.progress, found.seen, found.steps = line.advance(happenings)
            if found.seen is not None:
                found.quiet = line.screen.quiet(found.progress.moments, found.seen)
        found.is_anew = is_late or self._afresh
        return found

    def _decide(self, tx: "Writing", found: "_Followed", *, at_edge: bool) -> list[Entry]:
        """What follows for one group from the parts it has seen."""
        entries = []
        if found.progress is not None:
            entries += self._decide_parts(tx, found, found.progress, at_edge=at_edge and not found.is_anew)
        if found.is_anew:
            self.desk.effects_found_again(tx, found.line.effects.latest.values())
            entries += self._judge_newest(tx, found.line) if at_edge else []
        return entries

    def _decide_parts(self, tx: "Writing", found: "_Followed", progress: Progress, *, at_edge: bool) -> list[Entry]:
        line, seen, quiet = found.line, found.seen, found.quiet
        entries, is_left_alone, newest = [], self._is_left_alone(line), len(progress.moments) - 1
        for k, moment in enumerate(progress.moments):
            step = found.steps[k] if found.steps else NOTHING
            if step.findings or moment.changes:
                self._see_effects(tx, step.findings)
                self._recognise(tx, moment.changes)
                is_left_alone = self._is_left_alone(line)
            is_newest = at_edge and k == newest and not progress.later_changes
            if is_left_alone and quiet is not None and not step.unproven and all(quiet[k]) and not is_newest:
                continue
            glimpse = None if seen is None else seen.after(k)
            entries += self._judge(tx, line, moment, glimpse, step.unproven, at_edge=is_newest)
            is_left_alone = self._is_left_alone(line)
        self._recognise(tx, progress.later_changes)
        if progress.later_changes and at_edge:
            entries += self._judge_newest(tx, line)
        return entries

    def _look_at_setter(self, tx: "Writing", news: News) -> set[Register]:
        """Stop for the tools that the setter found broken, and no longer for those replaced since: their registers."""
        looked_at = set[Register]()
        for row in news.tools_as_read():
            if isinstance(row, ToolRow):
                self._missed.new_tool(row)
                if self._setter.new_tool(row):
                    looked_at |= {register(name) for name in self.desk.break_mended(tx, row.tool, row.source)}
                continue
            why = self._setter.see(row)
            if why is not None:
                looked_at |= self._stop_for(tx, row.tool, why)
        return looked_at

    def _look_for_missing(self, tx: "Writing", news: News, *, at_edge: bool) -> set[Register]:
        """Stop for the tools of whose work the newest parts show nothing: their registers."""
        missed = recent.misses(tx.sql, self.machine.name, news.parts)
        self._missed.see(missed, ((row.part_id, row.feature) for row in news.measurements))
        if not at_edge:
            return set()
        looked_at = [self._stop_for(tx, tool, why) for tool, why in self._missed.gone().items()]
        return set[Register]().union(*looked_at)

    def _stop_for(self, tx: "Writing", tool: int, why: str) -> set[Register]:
        """Stop for a broken tool: its registers."""
        broken = self._registers_of(tool)
        for one in broken:
            self.desk.tool_broken(tx, one, why)
        return broken

    def _registers_of(self, tool: int) -> set[Register]:
        """The registers of a tool that plans look at; of any other tool its length, to have a name for it."""
        grouped = {one for line in self.lines for one in line.group.registers if one.tool == tool}
        return grouped or {tool_register(tool, "length")}

    def _say_of_tool(self, own: Register) -> Entry:
        """A tool that no plan looks at: all there is to say is whether it is broken."""
        standing = self.desk.standing(str(own))
        evidence = Evidence(register=str(own), kind="tool", part="", features=(), broken=standing.broken)
        decision = decide(evidence, Limits(), BREAK_RULES)
        return answers.decision_entry(evidence, decision, decided_cause(evidence, decision))

    def _lock_what_moved_together(self, tx: "Writing") -> None:
        """A change that several tools show at once is nobody's wear; while it is news, a person has to look first."""
        for own, told in self._weighing.newest.items():
            if told.needs_a_person and not self._was_asked(tx, own):
                self.desk.lock(tx, own, told.words)

    def _was_asked(self, tx: "Writing", own: Register) -> bool:
        """A person has been asked about this register not long ago: whoever has released it is not asked again."""
        return self.desk.standing(str(own)).locked is not None or any(
            event.content["register"] == str(own)
            and cause_told(event.content["why"]) is not None
            and queries.parts_since(tx.sql, self.machine.name, event.seq) <= SPAN
            for event in queries.story(tx.sql, self.machine.name, ("locked",))
        )

    def _start_over(self, tx: "Writing", line: GroupLine) -> None:
        """Late news: the series is followed again in its right order, and only its newest part is decided on."""
        tx.forget_snapshot(self.machine.name, line.group.key)
        self._weighing.forget(line.group)
        self._weighing.take_up([(line.group, line.restore(tx.sql))])

    def _recognise(self, tx: "Writing", changes: Sequence[Change]) -> None:
        for change in changes:
            self.desk.register_changed(tx, change)

    def _see_effects(self, tx: "Writing", findings: Sequence[Finding]) -> None:
        for finding in findings:
            self.desk.effect_found(tx, finding)

    def _judge_newest(self, tx: "Writing", line: GroupLine) -> list[Entry]:
        newest = line.newest()
        if newest is None:
            return []
        moment, seen = newest
        glimpse = None if seen is None else seen.after(0)
        return self._judge(tx, line, moment, glimpse, line.effects.unproven, at_edge=True)

    def _is_left_alone(self, line: GroupLine) -> bool:
        """Every register of the group was to be left alone, and no proposal waits on the outcome."""
        return all(
            self._said.get(witness.name) == LEFT_ALONE and not self.desk.has(witness.name) for witness in line.witnesses
        )

    def _judge(
        self,
        tx: "Writing",
        line: GroupLine,
        moment: Moment,
        seen: Glimpse | None,
        unproven: Mapping[str, str],
        *,
        at_edge: bool,
    ) -> list[Entry]:
        """Every register of the group after one part: what is said anew, and at the edge everything."""
        if seen is None:
            return [self._inspect(line, feature, moment) for feature in line.group.features]
        moved_um = line.follower.moved_since_um if at_edge else ()
        verdict = self._weighing.told(moment)
        entries = []
        for witness, limits in zip(line.witnesses, line.limits, strict=True):
            self.desk.run_out(tx, witness, moment.seen, limits)
            track = moment.tracks[witness.register]
            unfit = self.examiner.doubt(_place(moment.seen), is_check_required=limits.check_required)
            standing, waits = self.desk.standing(witness.name), unproven.get(witness.name)
            if waits or unfit:
                standing = replace(standing, unproven=waits, unfit=unfit)
            told = None if verdict is None else verdict.get(witness.register, QUIET)
            evidence = witness.evidence(seen, moment, track, standing, moved_um, told)
            decision = decide(evidence, limits)
            self._settle(tx, witness, moment, evidence, decision, limits, at_edge=at_edge)
            entry = self._news_of(evidence, decision, at_edge=at_edge)
            if entry is not None:
                entries.append(entry)
        return entries

    def _settle(
        self,
        tx: "Writing",
        witness: Witness,
        moment: Moment,
        evidence: Evidence,
        decision: Decision,
        limits: Limits,
        *,
        at_edge: bool,
    ) -> None:
        """Let proposals follow the decision."""
        self.desk.reconsider(tx, witness, evidence, limits)
        if at_edge and decision.step is not None:
            cautions = self.examiner.cautions(_place(moment.seen))
            self.desk.propose(tx, witness, moment.seen, evidence, decision, limits, cautions)

    def _news_of(self, evidence: Evidence, decision: Decision, *, at_edge: bool) -> Entry | None:
        """The entry to keep; None in mid-history when it only repeats what was said about the register before."""
        cause = decided_cause(evidence, decision)
        said = LEFT_ALONE if decision.answer == "leave" else (decision.answer, cause, *_carrying(decision))
        repeats = self._said.get(evidence.register) == said
        self._said[evidence.register] = said
        return None if repeats and not at_edge else answers.decision_entry(evidence, decision, cause)

    def _inspect(self, line: GroupLine, feature: Feature, moment: Moment) -> Entry:
        """A feature that no register moves: its size can stop the run, nothing else follows from it."""
        evidence = feature_evidence(feature, moment, line.group.guard(feature))
        decision = decide(evidence, line.plain_limits, SIZE_RULES)
        return answers.decision_entry(evidence, decision, decided_cause(evidence, decision))


@dataclass(slots=True)
class _Followed:
    """What one group has seen of a text; `is_anew`: it was followed again in another order."""

    line: GroupLine
    happenings: Sequence[Happening]
    progress: Progress | None = None
    seen: Forecast | None = None
    quiet: Sequence[Sequence[bool]] | None = None  # [part][register]: the rules would answer `leave`
    steps: Sequence[Step] = ()
    is_anew: bool = False

    def to_be_judged(self) -> Iterator[Moment]:
        """The parts about which the rules are asked whatever was said before them."""
        if self.progress is not None and self.quiet is not None:
            unproven = [bool(step.unproven) for step in self.steps] or [False] * len(self.quiet)
            for moment, quiet, waits in zip(self.progress.moments, self.quiet, unproven, strict=True):
                if waits or not all(quiet):
                    yield moment

    @property
    def brings_a_part(self) -> bool:
        return any(isinstance(one, PartSeen) for one in self.happenings)


class _LooseRegisters:
    """Registers that no plan looks at: a change of one is recorded all the same."""

    def __init__(self, values: Mapping[Register, Decimal], grouped: frozenset[str]) -> None:
        self._grouped = grouped
        self._tracks = {str(register): Track(value=value) for register, value in values.items()}

    def changes(self, news: News) -> Iterator[Change]:
        """The changes among the prints of these registers, in order."""
        loose = [row for row in news.registers if row.register not in self._grouped]
        for row in sorted(loose, key=lambda row: (row.at_us, row.id)):
            track, value = self._tracks.get(row.register, Track()), Decimal(row.value)
            if track.value is not None and not track.is_same(value):
                yield Change(
                    register=register(row.register), old=track.value, new=value, source=row.source, at_new_tool=False
                )
            self._tracks[row.register] = track.after_print(value)


def _setter_watch(configuration: Configuration, machine: Machine) -> SetterWatch:
    def implausible_mm(own: Register) -> Decimal:
        return Decimal(repr(configuration.limits.for_register(machine.name, own).implausible_um)) / 1000

    def shown(mm: Decimal) -> str:
        return amount(mm, "mm", machine.unit)

    return SetterWatch(machine.break_limit_mm, implausible_mm, shown)


def _place(seen: PartSeen) -> tuple[int, int]:
    return seen.at_us, seen.part_id


def _carrying(decision: Decision) -> tuple[str, ...]:
    """The rules that had something to say for or against a correction."""
    return tuple(reason.rule for reason in decision.reasons if reason.verdict not in ("clear", "whole"))


def _digest(group: Group, machine: Machine) -> str:
    """Changes whenever the group's trend would be computed differently: another plan, prior or model."""
    from feedback.trend.priors import priors_for
    from feedback.trend.shape import MODEL

    features = [
        [
            feature.key,
            str(feature.lower),
            str(feature.upper),
            sorted((str(r), str(s)) for r, s in feature.moves.items()),
        ]
        for feature in group.features
    ]
    setter = [str(machine.setter_mm), str(machine.break_limit_mm)]
    return hashlib.sha256(json.dumps([MODEL, features, repr(priors_for(group, machine)), setter]).encode()).hexdigest()
