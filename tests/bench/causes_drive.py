"""One fault on one machine that has been known for forty good parts: what is said of it, part by part, without ledger.

The followers of a seed are warmed once and go on from their snapshot under every fault. A group whose readings a fault
leaves alone says the same as under every other fault, so it is followed once.

Causes are weighed as `feedback.processing` does, over all groups together. In place of the desk stand the locks that it
sets; no proposal is under way and nothing is entered.
Readings are not rounded to the digits of a log.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from feedback.answers import MOST_PRESSING_FIRST
from feedback.cause import decided_cause
from feedback.common import QUIET, Verdict
from feedback.configuration.facts import Configuration, Group
from feedback.configuration.groups import groups
from feedback.configuration.loading import from_texts
from feedback.evidence import Forecast, Standing, Witness, feature_evidence
from feedback.follow import Follower, Happening, PartSeen, Progress, RegisterSeen, ToolSeen
from feedback.registers import Register, register
from feedback.simulate.faults import FAULT_AT, single_fault
from feedback.simulate.happenings import NewEdge, PartMoved
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.scenario import Scenario
from feedback.simulate.truth import PartTruth
from feedback.simulate.writer import cell_texts
from feedback.weighing import Weighing
from rules.catalogue import SIZE_RULES
from rules.engine import decide
from rules.evidence import Cause, Evidence
from rules.limits import Limits
from rules.outlook import quantile
from rules.verdicts import Answer, Decision

PARTS = 10  # looked at after the fault
CLEARER_FIRST: tuple[Cause, ...] = (
    *("tool-broken", "probe", "conflict", "warm-up", "part-moved", "new-edge", "wear", "unknown", "outlier", "none"),
)  # of causes that press alike, the one that says more


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What was said of one register (or of a feature that none moves) after one part; micrometres."""

    register: str
    answer: Answer
    cause: Cause
    change_um: float  # proposed, 0 where nothing is
    error_um: float
    sd_um: float
    true_um: float  # error of the register at the part that the change reaches


@dataclass(frozen=True)
class Course:
    """One entry per part, from the part of the fault on."""

    said: tuple[tuple[Said, ...], ...]

    def named(self, within: int) -> Cause:
        """The cause last named for the machine in the first `within` parts; "none" where nothing was."""
        causes = [most_pressing(said) for said in self.said[:within]]
        return next((cause for cause in reversed(causes) if cause != "none"), "none")

    def harmful(self, within: int) -> list[Said]:
        """Proposals that make a true error bigger, which lies outside the interval that they state."""
        return [one for said in self.said[:within] for one in said if is_harmful(one)]

    def is_proposed(self, within: int) -> bool:
        return any(one.change_um for said in self.said[:within] for one in said)


def most_pressing(said: Sequence[Said]) -> Cause:
    """The cause of the most pressing answer that names one; a hold or stop without a cause is "unknown"."""
    causes = [(one.answer, _told(one)) for one in said]
    named = [pair for pair in causes if pair[1] != "none"]
    ranked = sorted(named, key=lambda pair: (MOST_PRESSING_FIRST.index(pair[0]), CLEARER_FIRST.index(pair[1])))
    return ranked[0][1] if ranked else "none"


def _told(one: Said) -> Cause:
    return "unknown" if one.cause == "none" and one.answer in ("hold", "stop") else one.cause


STATED = quantile(0.995)  # both ends of an interval of 99 %
GRAIN_UM = 1.0  # a register cannot be moved by less


def is_harmful(one: Said) -> bool:
    """The change leaves more error than there was, and the error lies outside what was stated."""
    is_worse = abs(one.true_um + one.change_um) > abs(one.true_um) + GRAIN_UM
    return bool(one.change_um) and is_worse and abs(one.true_um - one.error_um) > STATED * one.sd_um


@dataclass(frozen=True, slots=True)
class _Warm:
    """One group's follower after the good parts, and what it saw of them."""

    snapshot: dict[str, Any]
    progress: Progress


@dataclass
class WarmMachine:
    """The reference machine under one seed, known for `FAULT_AT` good parts."""

    seed: int
    _followed: dict[tuple[str, bytes], Progress] = field(default_factory=dict)

    @cached_property
    def configuration(self) -> Configuration:
        return from_texts(Path("cell"), cell_texts(single_fault("none")))

    @cached_property
    def groups(self) -> tuple[Group, ...]:
        return groups(self.configuration, "M1")

    @cached_property
    def limits(self) -> dict[Register, Limits]:
        every = [register for group in self.groups for register in group.registers]
        return {one: self.configuration.limits.for_register("M1", one) for one in every}

    @cached_property
    def witnesses(self) -> dict[str, list[Witness]]:
        machine = self.configuration.machines["M1"]
        return {group.key: [Witness(group, one, machine) for one in group.registers] for group in self.groups}

    @cached_property
    def warm(self) -> dict[str, _Warm]:
        """Every group after the good parts."""
        machine = SimulatedMachine(single_fault("none").setup(), self.seed)
        held = machine.registers
        parts = machine.cut_parts(FAULT_AT)
        kept = {}
        for group in self.groups:
            follower = Follower(group, self.configuration.machines["M1"])
            prints = [RegisterSeen(register=one, value=held[str(one)], at_us=0, source="") for one in group.registers]
            progress = follower.advance([*prints, *(self._seen(machine, group, part) for part in parts)])
            kept[group.key] = _Warm(follower.snapshot(), progress)
        return kept

    def _seen(self, machine: SimulatedMachine, group: Group, part: PartTruth) -> PartSeen:
        by_key = dict(zip(machine.setup.keys, part.read_um.tolist(), strict=True))
        deviations = {f.key: by_key[f.key] for f in group.features if by_key[f.key] == by_key[f.key]}
        return PartSeen(part_id=part.index, part=str(part.index), at_us=part.index, deviations=deviations)

    def course(self, scenario: Scenario, parts: int = PARTS) -> Course:
        """What is said after each of `parts` parts from the fault on; scenarios must be good before `FAULT_AT`."""
        machine = SimulatedMachine(scenario.setup(), self.seed)
        lag = self.configuration.machines["M1"].lag
        truths = machine.cut_parts(FAULT_AT + parts + 1 + lag)
        followed = {
            group.key: self._follow(machine, group, truths[FAULT_AT : FAULT_AT + parts]) for group in self.groups
        }
        weighing = Weighing(self.groups, self.configuration.limits.likelihood)
        weighing.take_up((group, self.warm[group.key].progress) for group in self.groups)
        weighing.take((group, followed[group.key]) for group in self.groups)
        locks = dict[str, str]()
        said = []
        for k in range(parts):
            reached = truths[FAULT_AT + k + 1 + lag]
            verdict = weighing.told(followed[self.groups[0].key].moments[k]) or {}
            said.append(tuple(self._said(machine, followed, k, verdict, locks, reached)))
            self._lock(verdict, locks)
        return Course(tuple(said))

    def _lock(self, verdict: Verdict, locks: dict[str, str]) -> None:
        """As `MachineProcess` does at the edge, after a part has been judged."""
        for one, told in verdict.items():
            if told.needs_a_person:
                locks.setdefault(str(one), told.words)

    def _follow(self, machine: SimulatedMachine, group: Group, parts: Sequence[PartTruth]) -> Progress:
        columns = [machine.setup.keys.index(feature.key) for feature in group.features]
        tools = {one.tool for one in group.registers}
        new = [[tool for tool in _recorded(part) if tool in tools] for part in parts]
        key = group.key, np.array([part.read_um[columns] for part in parts]).tobytes() + repr(new).encode()
        if key not in self._followed:
            self._followed[key] = self._follow_anew(machine, group, parts, new)
        return self._followed[key]

    def _follow_anew(
        self, machine: SimulatedMachine, group: Group, parts: Sequence[PartTruth], new: Sequence[Sequence[int]]
    ) -> Progress:
        follower = Follower(group, self.configuration.machines["M1"], self.warm[group.key].snapshot)
        happenings: list[Happening] = []
        for part, tools in zip(parts, new, strict=True):
            happenings += [ToolSeen(tool=tool, at_us=part.index, source="") for tool in tools]
            happenings.append(self._seen(machine, group, part))
        return follower.advance(happenings)

    def _said(
        self,
        machine: SimulatedMachine,
        followed: Mapping[str, Progress],
        k: int,
        verdict: Verdict,
        locks: Mapping[str, str],
        reached: PartTruth,
    ) -> list[Said]:
        said = []
        for group in self.groups:
            moment, outlooks = followed[group.key].moments[k], followed[group.key].outlooks
            if outlooks is None:
                for feature in group.features:
                    evidence = feature_evidence(feature, moment)
                    decision = decide(evidence, self.configuration.limits.default, SIZE_RULES)
                    said.append(_as_said(evidence, decision, 0.0))
                continue
            seen = Forecast(outlooks[k : k + 1], self.configuration.machines["M1"].lag).after(0)
            for witness in self.witnesses[group.key]:
                standing = Standing(locked=locks.get(witness.name))
                told = verdict.get(witness.register, QUIET)
                evidence = witness.evidence(seen, moment, moment.tracks[witness.register], standing, (), told)
                decision = decide(evidence, self.limits[witness.register])
                said.append(_as_said(evidence, decision, true_error_um(machine, reached, witness.name)))
        return said


def _recorded(part: PartTruth) -> list[int]:
    return [one.tool for one in part.happened if isinstance(one, NewEdge) and one.is_recorded]


def _as_said(evidence: Evidence, decision: Decision, true_um: float) -> Said:
    return Said(
        register=evidence.register,
        answer=decision.answer,
        cause=decided_cause(evidence, decision),
        change_um=0.0 if decision.step is None else float(decision.step.change) * 1000,
        error_um=decision.error_um,
        sd_um=decision.sd_um,
        true_um=true_um,
    )


def true_error_um(machine: SimulatedMachine, part: PartTruth, name: str) -> float:
    """The register's true error; of a turned part, the zero's error in the middle of the two points touched."""
    one = register(name)
    is_turned = any(isinstance(h, PartMoved) and h.turned_mrad for h in machine.events)
    if one.kind != "work" or not is_turned:
        return machine.error_um(part, name)
    share = machine.share_um(part, "part-moved")
    touched = [
        share[k] for k, (_, cut) in enumerate(machine.setup.features) if cut.kind == "datum" and cut.along == one.axis
    ]
    return machine.error_um(part, name) + _stated_shift_um(machine, part, one.axis) - float(np.mean(touched))


def _stated_shift_um(machine: SimulatedMachine, part: PartTruth, axis: str) -> float:
    """What the happenings put into the zero itself, which a turn about a far point also does."""
    shift = 0.0
    for one in machine.events:
        if isinstance(one, PartMoved) and one.part <= part.index:
            x, y = one.about_mm
            shift += {
                "X": one.x_um + one.turned_mrad * y,
                "Y": one.y_um - one.turned_mrad * x,
                "Z": one.z_um,
            }[axis]
    return shift


def together(one: Scenario, other: Scenario) -> Scenario:
    """Both faults on the one machine."""
    first, second = one.setup(), other.setup()
    both = replace(first, happenings=(*first.happenings, *second.happenings), growth=first.growth or second.growth)
    return replace(one, name=f"{one.name} and {other.name}", machines=(both,))
