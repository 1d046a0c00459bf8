"""One fault on one machine that has been known for forty good parts: what is said of it, part by part, without ledger.

The followers of a seed are warmed once and go on from their snapshot under every fault. A group whose readings a fault
leaves alone says the same as under every other fault, so it is followed once.

In place of the desk stand the locks that `feedback.processing` sets; no proposal is under way and nothing is entered.
Readings are not rounded to the digits of a log.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from feedback.answers import MOST_PRESSING_FIRST
from feedback.cause import PARTS_A_CHANGE_IS_NEWS, decided_cause
from feedback.common import Jump, Jumps
from feedback.configuration.facts import Configuration, Group
from feedback.configuration.groups import groups
from feedback.configuration.loading import from_texts
from feedback.evidence import Forecast, Glimpse, Standing, Witness, feature_evidence
from feedback.follow import Follower, Happening, Moment, PartSeen, RegisterSeen, ToolSeen
from feedback.registers import Register, register
from feedback.simulate.faults import FAULT_AT, single_fault
from feedback.simulate.happenings import NewEdge, PartMoved
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.scenario import Scenario
from feedback.simulate.truth import PartTruth
from feedback.simulate.writer import cell_texts
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
class _Followed:
    """One group after each part: the moment, what the trend expects, and the sudden changes recognised."""

    moments: list[Moment]
    glimpses: list[Glimpse | None]
    jumps: list[list[Jump]]


@dataclass
class WarmMachine:
    """The reference machine under one seed, known for `FAULT_AT` good parts."""

    seed: int
    _followed: dict[tuple[str, bytes], _Followed] = field(default_factory=dict)

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
    def warm(self) -> dict[str, dict[str, Any]]:
        """The snapshot of every group's follower."""
        machine = SimulatedMachine(single_fault("none").setup(), self.seed)
        held = machine.registers
        parts = machine.cut_parts(FAULT_AT)
        kept = {}
        for group in self.groups:
            follower = Follower(group, self.configuration.machines["M1"])
            prints = [RegisterSeen(register=one, value=held[str(one)], at_us=0, source="") for one in group.registers]
            follower.advance([*prints, *(self._seen(machine, group, part) for part in parts)])
            kept[group.key] = follower.snapshot()
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
        jumps, locks = Jumps(), dict[str, str]()
        said = []
        for k in range(parts):
            reached = truths[FAULT_AT + k + 1 + lag]
            for tool in _recorded(truths[FAULT_AT + k]):
                jumps.forget_tool(tool)
            said.append(tuple(self._said(machine, followed, k, locks, reached)))
            self._lock(jumps, [jump for one in followed.values() for jump in one.jumps[k]], FAULT_AT + k, locks)
        return Course(tuple(said))

    def _lock(self, jumps: Jumps, found: Sequence[Jump], number: int, locks: dict[str, str]) -> None:
        """As `MachineProcess` does at the edge, after a part has been judged."""
        jumps.add(found)
        for one in self.limits:
            why = jumps.shared_by(one, since=number - PARTS_A_CHANGE_IS_NEWS)
            if why is not None:
                locks[str(one)] = why

    def _follow(self, machine: SimulatedMachine, group: Group, parts: Sequence[PartTruth]) -> _Followed:
        columns = [machine.setup.keys.index(feature.key) for feature in group.features]
        tools = {one.tool for one in group.registers}
        new = [[tool for tool in _recorded(part) if tool in tools] for part in parts]
        key = group.key, np.array([part.read_um[columns] for part in parts]).tobytes() + repr(new).encode()
        if key not in self._followed:
            self._followed[key] = self._follow_anew(machine, group, parts, new)
        return self._followed[key]

    def _follow_anew(
        self, machine: SimulatedMachine, group: Group, parts: Sequence[PartTruth], new: Sequence[Sequence[int]]
    ) -> _Followed:
        told = self.configuration.machines["M1"]
        follower = Follower(group, told, self.warm[group.key])
        found = _Followed([], [], [])
        for part, tools in zip(parts, new, strict=True):
            happenings: list[Happening] = [ToolSeen(tool=tool, at_us=part.index, source="") for tool in tools]
            progress = follower.advance([*happenings, self._seen(machine, group, part)])
            outlooks = progress.outlooks
            found.moments.append(progress.moments[0])
            found.glimpses.append(None if outlooks is None else Forecast(outlooks, told.lag).after(0))
            jumped = [] if outlooks is None else np.flatnonzero(outlooks.jumped[0]).tolist()
            found.jumps.append(
                [
                    Jump(group.registers[r], part.index, str(part.index), float(outlooks.jump_um[0, r]))
                    for r in jumped
                    if outlooks is not None
                ]
            )
        return found

    def _said(
        self,
        machine: SimulatedMachine,
        followed: Mapping[str, _Followed],
        k: int,
        locks: Mapping[str, str],
        reached: PartTruth,
    ) -> list[Said]:
        said = []
        for group in self.groups:
            moment, seen = followed[group.key].moments[k], followed[group.key].glimpses[k]
            if seen is None:
                for feature in group.features:
                    evidence = feature_evidence(feature, moment)
                    decision = decide(evidence, self.configuration.limits.default, SIZE_RULES)
                    said.append(_as_said(evidence, decision, 0.0))
                continue
            for witness in self.witnesses[group.key]:
                standing = Standing(locked=locks.get(witness.name))
                evidence = witness.evidence(seen, moment, moment.tracks[witness.register], standing)
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
