"""The past of one group decided again under one setting, by the rules themselves: what `trueup replay` shows. Pure.

The same assumptions as `feedback.replay.many`, which does it for many settings at once; each is held against the other.
The rules are asked where they may say something else than `leave`.

Under the limits in force and with the real corrections at the real rows the answer after every part is the recorded
one (tests/replay/test_agreement.py counts the others), but for what people did with proposals: while one was accepted
and not yet entered, for as long as one was rejected, and where a person had allowed growth. A replay takes every
proposal for accepted, and hands out no leave to grow. A part that was decided on again, because a register was printed
after it or an earlier part came late, is replayed as it was decided on first.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final

import numpy as np

from feedback.cause import decided_cause
from feedback.effect import Effects
from feedback.evidence import Standing
from feedback.follow import UM_PER_MM, Change, Moment, Progress, Track
from feedback.replay.arithmetic import exact_mm
from feedback.replay.lanes import Lanes
from feedback.replay.past import Counts, Flags, Floats, GroupPast
from feedback.screen import SAFE
from rules.engine import decide
from rules.evidence import Cause
from rules.limits import Limits
from rules.verdicts import Decision

UNDER_WAY: Final = "replayed"  # the id of a proposal that is on its way to the replayed machine


@dataclass(frozen=True, slots=True)
class Said:
    """One decision of the replay."""

    row: int
    column: int
    decision: Decision
    cause: Cause


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One correction put in: decided after one row, first acting on another (None: the past ends before)."""

    column: int
    decided: int
    acts: int | None
    change: Decimal
    new: Decimal


@dataclass(frozen=True, slots=True)
class Replayed:
    """`extra_um` (n x R) is what the replay has in the registers beside what really was in them."""

    past: GroupPast
    limits: Sequence[Limits]
    said: Sequence[Said]
    corrections: Sequence[Correction]
    extra_um: Floats
    alarms: Counts  # R, changes said, wrongly, not to do what was promised

    @property
    def read_um(self) -> Floats:
        """n x F: the readings there would have been."""
        return np.asarray(self.past.read_um + self.extra_um @ self.past.sensitivity.T, dtype=np.float64)


def decide_again(past: GroupPast, lanes: Lanes, limits: Sequence[Limits], *, is_corrected: bool = True) -> Replayed:
    """The past of `past` (whose lanes are `lanes`) under `limits`, one for each register of the group.

    Without `is_corrected` the corrections really made stay and no other is put in: what the limits say of the parts as
    they were cut. What people did with a proposal (accept it, reject it, allow growth) is then not known.
    """
    if not is_corrected:
        past = replace(past, hand_um=past.hand_um + past.entry_um, entry_um=np.zeros_like(past.entry_um))
    return _One(past, lanes, limits, is_corrected).replayed()


class _One:
    def __init__(self, past: GroupPast, lanes: Lanes, limits: Sequence[Limits], is_corrected: bool) -> None:
        self.is_corrected = is_corrected
        self.past, self.lanes, self.limits = past, lanes, limits
        self.registers = past.group.registers
        count = len(self.registers)
        self.tracks = [Track() for _ in range(count)]
        self.extra = [Decimal(0)] * count  # mm or degrees
        self.under_way: dict[int, Correction] = {}
        self.effects = Effects(past.group, limits, past.machine.tool_radius)
        self.is_watching = False
        self.alarms = np.zeros(count, dtype=np.int64)
        self.said: list[Said] = []
        self.corrections: list[Correction] = []
        self.path = np.zeros((len(past), count))
        share = np.array([one.band for one in limits])
        self.ask_beyond = SAFE * np.nanmin(share[:, None] * lanes.half_um / lanes.pull, axis=1)
        unfit = np.stack([past.unfit(is_check_required=one.check_required) for one in limits], axis=1)
        self.is_odd = unfit | (lanes.bar != 0) | ~(lanes.margin_um > 0) | ~np.isfinite(lanes.error_um)

    def replayed(self) -> Replayed:
        for row in range(len(self.past)):
            before_um = self._extra_um()
            changes = self._change_registers(row)
            self.tracks = [track.after_part() for track in self.tracks]
            extra_um = self._extra_um()
            self.path[row] = extra_um
            unproven = self._watch(row, changes, before_um, extra_um)
            if row >= self.past.first:
                for column in np.flatnonzero(self._may_matter(row, extra_um)).tolist():
                    self._decide(row, column, unproven, extra_um)
        return Replayed(self.past, self.limits, self.said, self.corrections, self.path, self.alarms)

    def _extra_um(self) -> Floats:
        return np.array([float(extra) * UM_PER_MM for extra in self.extra])

    def _may_matter(self, row: int, extra_um: Floats) -> Flags:
        """Registers that may not simply be left alone; as `feedback.screen` has it."""
        past = self.past
        read = past.read_um[row] + past.sensitivity @ extra_um
        implausible = min(one.implausible_um for one in self.limits)
        is_out = (read < past.lower_um + past.guard_um) | (read > past.upper_um - past.guard_um)
        odd = is_out | (np.abs(read) > implausible)
        outside = np.abs(self.lanes.error_um[row] + extra_um) > self.ask_beyond
        return np.asarray(outside | self.is_odd[row] | (odd @ (past.sensitivity != 0) > 0), dtype=np.bool_)

    # What happens to the registers before the part ------------------------------------------------------------------

    def _change_registers(self, row: int) -> tuple[Change, ...]:
        changes: list[Change] = []
        for column in range(len(self.registers)):
            hand_um, entry_um = float(self.past.hand_um[row, column]), float(self.past.entry_um[row, column])
            if hand_um:
                changes += self._print(column, exact_mm(hand_um / UM_PER_MM))
            self.extra[column] -= exact_mm(entry_um / UM_PER_MM)
            if self.past.fresh[row, column]:
                self._change_tool(row, column)
            elif column in self.under_way and self.under_way[column].acts == row:
                entered = self.under_way.pop(column)
                self.extra[column] += entered.change
                changes += self._print(column, entered.change)
            if self.tracks[column].value is None:
                self.tracks[column] = self.tracks[column]._replace(value=self.past.value(row, column))
        return tuple(changes)

    def _change_tool(self, row: int, column: int) -> None:
        """A new tool is set up as it really was; what was on its way for the old one is forgotten."""
        self.extra[column] = Decimal(0)
        forgotten = self.under_way.pop(column, None)
        if forgotten is not None:
            self.corrections.remove(forgotten)
        self.tracks[column] = self.tracks[column].after_new_tool()._replace(value=self.past.value(row, column))

    def _print(self, column: int, moved: Decimal) -> list[Change]:
        track = self.tracks[column]
        if track.value is None:
            return []
        self.tracks[column] = track.after_print(track.value + moved)
        return [
            Change(
                register=self.registers[column],
                old=track.value,
                new=track.value + moved,
                source="",
                at_new_tool=track.parts_since_new_tool == 0,
            )
        ]

    # What the part says ---------------------------------------------------------------------------------------------

    def _watch(self, row: int, changes: tuple[Change, ...], before_um: Floats, extra_um: Floats) -> dict[str, str]:
        if not (changes or self.is_watching):
            return {}
        if not self.is_watching and row:
            self.effects.follow(self._progress(row - 1, (), before_um))  # what was known before the change
        steps = self.effects.follow(self._progress(row, changes, extra_um))
        self.is_watching = bool(self.effects.snapshot()["watches"])
        for finding in (finding for step in steps for finding in step.findings):
            self.alarms[self.registers.index(finding.register)] += finding.contradicts
        return dict(self.effects.unproven) if self.is_watching else {}

    def _progress(self, row: int, changes: tuple[Change, ...], extra_um: Floats) -> Progress:
        known = self.past.outlooks[row : row + 1]
        mean = known.mean.copy()
        mean[0, : len(extra_um)] += extra_um
        tracks = dict(zip(self.registers, self.tracks, strict=True))
        passed = int(self.past.passed[row])
        moment = Moment(seen=self.past.seen(row, extra_um), tracks=tracks, changes=changes, passed=passed)
        return Progress(moments=(moment,), outlooks=replace(known, mean=mean), later_changes=())

    def _decide(self, row: int, column: int, unproven: dict[str, str], extra_um: Floats) -> None:
        track, limits = self.tracks[column], self.limits[column]
        pending = UNDER_WAY if column in self.under_way else None
        standing = Standing(pending=pending, unproven=unproven.get(str(self.registers[column])))
        evidence = self.past.evidence(row, column, track, standing, extra_um, is_check_required=limits.check_required)
        decision = decide(evidence, limits)
        if decision.answer != "leave":
            self.said.append(Said(row, column, decision, decided_cause(evidence, decision)))
        if self.is_corrected and decision.step is not None and column not in self.under_way:
            acts = int(self.past.due_row[row, column])
            found = Correction(
                column=column,
                decided=row,
                acts=acts if acts < len(self.past) else None,
                change=decision.step.change,
                new=decision.step.new,
            )
            self.under_way[column] = found
            self.corrections.append(found)
