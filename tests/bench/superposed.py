"""The closed loop with trueup in it, from one filter run without corrections.

The trend is linear in known moves and its fits do not see them: with `held_um` in the registers, the expected own
deviation of a feature is the uncorrected one plus S x held, whatever was decided on the way. So each seed is filtered
once, and only the decisions are made again for each setting of the limits, by the product's own evidence and rules.
`tests/test_bench_control.py` holds this against a loop through the follower.

Every proposal is accepted at once and entered after the delay, except where a new tool comes first: it is then
withdrawn, as at the desk. A change that is wrongly said not to do what was promised would lock its register; a person
releases it at once, and it is counted. At a part out of tolerance the tool stops and proposes nothing. With
`INSPECTED` rules a person inspects the part, finds it as read, and enters what would have been proposed.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from feedback.configuration.facts import Group, Machine
from feedback.delay import parts_before_entry
from feedback.effect import Effects
from feedback.evidence import Forecast, Glimpse, Standing, Witness
from feedback.follow import UM_PER_MM, Change, Moment, PartSeen, Progress, Track
from feedback.registers import Register
from feedback.simulate.errors import SimulatedErrors
from feedback.trend.tracker import Parameters, Row, Tracker, priors_for, shape_of
from rules.catalogue import RULES
from rules.engine import decide
from rules.evidence import Evidence
from rules.limits import Limits
from rules.outlook import outlook, quantile
from rules.rule import Rule
from rules.tolerance import Tolerance
from tests.bench.bench_machine import BenchMachine

Floats = NDArray[np.float64]
ZERO = Decimal(0)
CLOSE = 0.01  # um inside the band from which on the rules are asked
NOBODY = Standing()
INSPECTED: Sequence[Rule] = tuple(rule for rule in RULES if not isinstance(rule, Tolerance))


@dataclass(frozen=True)
class Filtered:
    """One group under one seed, uncorrected. Rows are the parts with a reading of the group."""

    group: Group
    machine: Machine
    parts: int
    part_of_row: list[int]
    passed: list[int]  # parts without a reading before each row's part, since the row before
    readings_um: Floats  # rows x features, from nominal
    zeroed: NDArray[np.bool_]  # parts x registers: a new tool, its wear set to zero
    forecast: Forecast

    def looking_ahead(self, lag: int) -> "Filtered":
        """The same with a correction entered `lag` parts after it was asked for."""
        if lag not in self._by_lag:
            self._by_lag[lag] = replace(self, forecast=Forecast(self.forecast.outlooks, lag))
        return self._by_lag[lag]

    @cached_property
    def _by_lag(self) -> "dict[int, Filtered]":
        return {self.machine.lag: self}

    @cached_property
    def witnesses(self) -> list[Witness]:
        return [Witness(self.group, register, self.machine) for register in self.group.registers]

    @cached_property
    def sensitivity(self) -> Floats:
        """Features x registers."""
        registers = self.group.registers
        return np.array([[float(f.moves.get(r, 0)) for r in registers] for f in self.group.features])

    @cached_property
    def outlook_um(self) -> tuple[list[list[float]], list[list[float]]]:
        """[register][row]: the register's error expected without corrections, and its standard deviation."""
        seen = [[self._outlook(row, at) for row in range(len(self.forecast))] for at in range(len(self.witnesses))]
        return [[error for error, _ in rows] for rows in seen], [[sd for _, sd in rows] for rows in seen]

    def _outlook(self, row: int, at: int) -> tuple[float, float]:
        moment = Moment(seen=self.seen(row, np.zeros(len(self.witnesses))), tracks={}, changes=())
        found = outlook(self.witnesses[at].evidence(self.forecast.after(row), moment, Track(), NOBODY), Limits())
        return found.error_um, found.sd_um

    def band_um(self, at: int, limits: Limits) -> float:
        """The register's band: no rule wishes inside it."""
        ask = self.forecast.after(0)
        moment = Moment(seen=self.seen(0, np.zeros(len(self.witnesses))), tracks={}, changes=())
        return outlook(self.witnesses[at].evidence(ask, moment, Track(), NOBODY), limits).band_um

    def seen(self, row: int, held_um: Floats) -> PartSeen:
        """The part as it reads with so much in the registers."""
        read = self.readings_um[row] + self.sensitivity @ held_um
        keys = (feature.key for feature in self.group.features)
        part = self.part_of_row[row]
        deviations = {key: um for key, um in zip(keys, read.tolist(), strict=True) if um == um}
        return PartSeen(part_id=part, part=str(part), at_us=part, deviations=deviations)

    def glimpse(self, row: int, held_um: Floats) -> Glimpse:
        """What the trend would expect after this row with so much in the registers."""
        still = self.forecast.after(row)
        shift = self.sensitivity * held_um
        return replace(
            still,
            total_um=(np.array(still.total_um) + shift.sum(axis=1)).tolist(),
            own_um=(np.array(still.own_um) + shift).tolist(),
        )


def filtered(
    bench: BenchMachine, group: Group, errors: SimulatedErrors, seed: int = 0, fixed: Parameters | None = None
) -> Filtered:
    """Take the uncorrected parts of one seed (by its place in `errors`) through a tracker of `group`."""
    columns = [errors.features.index(feature.key) for feature in group.features]
    registers = [errors.registers.index(str(register)) for register in group.registers]
    read = errors.read_um[seed][:, columns]
    rows = np.flatnonzero(~np.isnan(read).all(axis=1))
    zeroed = errors.is_zeroed[seed][:, registers]
    tracker = Tracker(shape_of(group), priors_for(group, bench.machine), fixed=fixed)
    outlooks = tracker.take(_rows(rows, read - bench.centre_um[columns], zeroed))
    return Filtered(
        group=group,
        machine=bench.machine,
        parts=len(read),
        part_of_row=rows.tolist(),
        passed=_passed(rows),
        readings_um=read[rows],
        zeroed=zeroed,
        forecast=Forecast(outlooks, bench.machine.lag),
    )


def _passed(rows: NDArray[np.int64]) -> list[int]:
    return (np.diff(rows, prepend=-1) - 1).tolist()  # type: ignore[no-any-return]


def _rows(rows: NDArray[np.int64], off_centre_um: Floats, zeroed: NDArray[np.bool_]) -> list[Row]:
    still = (0.0,) * zeroed.shape[1]
    since = np.split(zeroed, rows + 1)  # what happened up to and with each row's part
    return [
        Row(
            part=str(part),
            readings=tuple(off_centre_um[part].tolist()),
            moved=still,
            fresh=tuple(bool(flag) for flag in np.any(news, axis=0)),
            passed=passed,
        )
        for part, news, passed in zip(rows.tolist(), since, _passed(rows), strict=False)
    ]


@dataclass(frozen=True)
class Entry:
    """A correction that reached the machine."""

    part: int  # the first part cut with it
    register: Register
    old: Decimal
    new: Decimal


@dataclass(frozen=True)
class Outcome:
    """`held_um` (parts, registers of the group) is what corrections have put into the registers."""

    held_um: Floats
    entries: list[Entry]
    false_alarms: int


def close_loop(
    run: Filtered, limits: Limits, delay: int, rules: Sequence[Rule] = RULES, *, watch_effects: bool = True
) -> Outcome:
    """Decide after every part under these limits; without `watch_effects` no change has to show itself first."""
    return _Loop(run, limits, delay, rules, watch_effects).outcome()


class _Loop:
    """One group, one setting. What the rules can only refuse is not put to them: that alone makes it quick."""

    def __init__(self, run: Filtered, limits: Limits, delay: int, rules: Sequence[Rule], watch_effects: bool) -> None:
        self.run, self.limits, self.delay, self.rules = run, limits, delay, rules
        self.usual = run  # as far ahead as the machine's `lag` says
        registers = run.group.registers
        self.tracks = [Track().after_print(ZERO) for _ in registers]
        self.held_um = np.zeros(len(registers))
        self.pending: dict[int, Entry] = {}
        self.changes: list[Change] = []
        self.entries: list[Entry] = []
        self.false_alarms = 0
        self.effects = Effects(run.group, [limits] * len(registers), run.machine.tool_radius) if watch_effects else None
        self.watched: set[Register] = set()
        self.delays: list[int] = []
        self._look_ahead()

    def _look_ahead(self) -> None:
        """As far as corrections take to be entered, with everything that is asked after every part at hand."""
        self.lag = parts_before_entry(self.run.machine.lag, self.delays)
        self.run = run = self.usual.looking_ahead(self.lag)
        bands, beyond = (
            [run.band_um(at, self.limits) for at in range(len(self.held_um))],
            quantile(self.limits.confidence),
        )
        self.errors, sds = run.outlook_um
        self.ask_beyond = [
            [band + max(0.0, beyond * sd) - CLOSE for sd in row] for band, row in zip(bands, sds, strict=True)
        ]

    def outcome(self) -> Outcome:
        row_of_part = {part: row for row, part in enumerate(self.run.part_of_row)}
        changed = [any(flags) for flags in self.run.zeroed.tolist()]
        path = np.zeros((self.run.parts, len(self.held_um)))
        for part in range(self.run.parts):
            if changed[part]:
                self._change_tools(part)
            if self.pending:
                self._enter(part)
            path[part] = self.held_um
            row = row_of_part.get(part)
            if row is not None:
                self._see(row)
        return Outcome(path, self.entries, self.false_alarms)

    def _change_tools(self, part: int) -> None:
        for at in np.flatnonzero(self.run.zeroed[part]).tolist():
            self.pending.pop(at, None)
            self.tracks[at] = self.tracks[at].after_new_tool()
            self._print(at, ZERO)

    def _enter(self, part: int) -> None:
        for at, entry in list(self.pending.items()):
            if entry.part == part:
                del self.pending[at]
                self.entries.append(entry)
                self._print(at, entry.new)
                self.delays.append(self.delay)
                if parts_before_entry(self.run.machine.lag, self.delays) != self.lag:
                    self._look_ahead()

    def _print(self, at: int, value: Decimal) -> None:
        track = self.tracks[at]
        assert track.value is not None
        if track.value != value:
            is_set_up = track.parts_since_new_tool == 0
            register = self.run.group.registers[at]
            self.changes.append(Change(register=register, old=track.value, new=value, source="", at_new_tool=is_set_up))
        self.tracks[at] = track.after_print(value)
        self.held_um[at] = float(value) * UM_PER_MM

    def _see(self, row: int) -> None:
        self.tracks = [track.after_part() for track in self.tracks]
        changes, self.changes = tuple(self.changes), []
        if self.effects is not None and (changes or self.watched):
            self._watch(self.effects, row, changes)
        for at in range(len(self.held_um)):
            if abs(self.errors[at][row] + self.held_um[at]) > self.ask_beyond[at][row] and self._may_correct(at):
                self._decide(row, at)

    def _may_correct(self, at: int) -> bool:
        since = self.tracks[at].parts_since_change
        return at not in self.pending and (since is None or since >= self.limits.settle)

    def _watch(self, effects: Effects, row: int, changes: tuple[Change, ...]) -> None:
        if not self.watched:
            before = self._held_before(changes)
            # what was known before the change, and before the part before it
            for earlier in range(max(0, row - 2), row):
                effects.follow(self._progress(earlier, before, ()))
        self.watched |= {change.register for change in changes}
        steps = effects.follow(self._progress(row, self.held_um, changes))
        if not steps:  # nothing was under watch any more: the last change was undone by a new tool
            self.watched.clear()
        for finding in (finding for step in steps for finding in step.findings):
            self.false_alarms += finding.contradicts
            self.watched -= {finding.register} - {change.register for change in changes}

    def _held_before(self, changes: tuple[Change, ...]) -> Floats:
        held_um = self.held_um.copy()
        for change in reversed(changes):
            held_um[self.run.group.registers.index(change.register)] = float(change.old) * UM_PER_MM
        return held_um

    def _progress(self, row: int, held_um: Floats, changes: tuple[Change, ...]) -> Progress:
        still = self.run.forecast.outlooks[row : row + 1]
        mean = still.mean.copy()
        mean[0, : len(held_um)] += held_um
        return Progress(
            moments=(self._moment(row, held_um, changes),), outlooks=replace(still, mean=mean), later_changes=()
        )

    def _moment(self, row: int, held_um: Floats, changes: tuple[Change, ...]) -> Moment:
        tracks = dict(zip(self.run.group.registers, self.tracks, strict=True))
        return Moment(seen=self.run.seen(row, held_um), tracks=tracks, changes=changes, passed=self.run.passed[row])

    def _decide(self, row: int, at: int) -> None:
        step = decide(self.evidence(row, at), self.limits, self.rules).step
        if step is not None:
            due = self.run.part_of_row[row] + 1 + self.delay
            self.pending[at] = Entry(due, self.run.group.registers[at], step.now, step.new)

    def evidence(self, row: int, at: int) -> Evidence:
        witness = self.run.witnesses[at]
        unproven = {} if self.effects is None else self.effects.unproven
        standing = Standing(unproven=unproven.get(witness.name))
        glimpse = self.run.glimpse(row, self.held_um)
        return witness.evidence(glimpse, self._moment(row, self.held_um, ()), self.tracks[at], standing)


def held_by_machine(errors: SimulatedErrors, outcomes: Sequence[tuple[Group, Outcome]]) -> Floats:
    """(parts, registers of the machine) from the groups'."""
    parts = errors.read_um.shape[1]
    held_um = np.zeros((parts, len(errors.registers)))
    for group, outcome in outcomes:
        held_um[:, [errors.registers.index(str(register)) for register in group.registers]] = outcome.held_um
    return held_um
