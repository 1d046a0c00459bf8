"""Follows one coupling group of one machine, part by part: readings in, what is known after each part out.

Pure. What happened arrives in the machine's own order (`Happening`s, see `feedback.series`); for every part with a
reading of the group one `Moment` comes out, built only from what had happened up to then. Changes of registers that
the log shows are known inputs of the trend and come out as `Change`s, for somebody else to say who proposed them.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from feedback.configuration.facts import Group, Machine
from feedback.registers import Register
from feedback.setter_series import SetterSeries
from feedback.trend.edges import EDGE_PARTS, Edges, Guess

if TYPE_CHECKING:
    from feedback.trend.together import Together
    from feedback.trend.tracker import Outlooks, Row, Tracker

UM_PER_MM = 1000
SAME_UM = 0.05  # two prints of one register closer than this are the same value, printed with fewer digits


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSeen:
    """One part as this group sees it: deviations from nominal, um (millidegrees), of the readings that are believed."""

    part_id: int
    part: str
    at_us: int
    deviations: Mapping[str, float]  # feature key -> believed reading
    doubts: tuple[str, ...] = ()  # why other readings of this part are not believed


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPassed:
    """A part of the group's plans of which this group has no reading: its tools have cut it all the same."""

    part_id: int
    at_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterSeen:
    """The log printed what a register holds (mm or deg, radius-valued)."""

    register: Register
    value: Decimal
    at_us: int
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolSeen:
    """A new tool or edge was recorded."""

    tool: int
    at_us: int
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetterSeen:
    """The tool setter measured a tool (mm, radius-valued); None: not measured."""

    tool: int
    length: Decimal | None
    radius: Decimal | None
    at_us: int
    source: str


Happening = PartSeen | PartPassed | RegisterSeen | ToolSeen | SetterSeen


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A register was seen to hold another value than before."""

    register: Register
    old: Decimal
    new: Decimal
    source: str
    at_new_tool: bool
    at_us: int = 0  # when it was printed


class Track(NamedTuple):
    """What the log has shown of one register so far."""

    value: Decimal | None = None
    travel_um: float = 0.0  # sum of changes since the first print or the last new tool
    parts_since_change: int | None = None  # parts of the group seen since the last change; None: never changed
    new_tool: bool = False  # a new tool was recorded and its first correction has not been seen yet
    parts_since_new_tool: int | None = None

    def after_part(self) -> "Track":
        since_change, since_new_tool = self.parts_since_change, self.parts_since_new_tool
        if since_change is None and since_new_tool is None:
            return self
        return Track(
            self.value,
            self.travel_um,
            None if since_change is None else since_change + 1,
            self.new_tool,
            None if since_new_tool is None else since_new_tool + 1,
        )

    def after_new_tool(self) -> "Track":
        return self._replace(travel_um=0.0, parts_since_change=None, new_tool=True, parts_since_new_tool=0)

    def after_print(self, value: Decimal) -> "Track":
        """The register was printed as `value`. A change before the new tool's first part is part of setting it up."""
        if self.value is None or self.is_same(value):
            return self if self.value is not None else self._replace(value=value)
        if self.parts_since_new_tool == 0:
            return self._replace(value=value)
        moved_um = float(value - self.value) * UM_PER_MM
        return self._replace(value=value, travel_um=self.travel_um + moved_um, parts_since_change=0, new_tool=False)

    def is_same(self, value: Decimal) -> bool:
        return self.value is not None and (value == self.value or abs(float(value - self.value)) * UM_PER_MM < SAME_UM)

    def to_json(self) -> dict[str, Any]:
        return {
            "value": None if self.value is None else str(self.value),
            "travel_um": self.travel_um,
            "parts_since_change": self.parts_since_change,
            "new_tool": self.new_tool,
            "parts_since_new_tool": self.parts_since_new_tool,
        }

    @staticmethod
    def from_json(kept: Mapping[str, Any]) -> "Track":
        value = kept["value"]
        return Track(**{**kept, "value": None if value is None else Decimal(value)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """After one part: the part, every register's track at that time, and the changes seen just before it."""

    seen: PartSeen
    tracks: Mapping[Register, Track]
    changes: tuple[Change, ...]
    apart: frozenset[Register] = frozenset()  # of these the tool setter says something else than the parts
    passed: int = 0  # parts without a reading since the moment before


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """What one call of `Follower.advance` brought: a moment and an outlook per part, and changes after the last."""

    moments: tuple[Moment, ...]
    outlooks: "Outlooks | None"  # None without parts, and for groups that no register moves
    later_changes: tuple[Change, ...]


@dataclass(slots=True)
class _Between:
    """What has been seen since the last part: it enters the trend with the next one."""

    moved_um: dict[Register, float] = field(default_factory=dict)
    fresh: set[Register] = field(default_factory=set)
    changes: list[Change] = field(default_factory=list)
    passed: int = 0


@dataclass(slots=True)
class _Run:
    """Parts that enter the trend together."""

    rows: list["Row"] = field(default_factory=list)
    setter_um: list[tuple[float, ...]] = field(default_factory=list)
    moments: list[Moment] = field(default_factory=list)


class Follower:
    """One group's memory. `snapshot()`, handed to the constructor, carries it over a restart without a difference."""

    def __init__(self, group: Group, machine: Machine, snapshot: Mapping[str, Any] | None = None) -> None:
        self.group = group
        self.machine = machine
        kept = snapshot or {}
        self.tracks: Mapping[Register, Track] = {  # moments keep it: it is replaced, never written into
            register: Track.from_json(kept["tracks"][str(register)]) if kept else Track()
            for register in group.registers
        }
        self.parts: int = kept.get("parts", 0)
        self.last: tuple[int, int] = tuple(kept["last"]) if kept else (-1, -1)  # (at_us, part_id) of the newest part
        self._between = _Between(passed=kept.get("passed", 0))
        self._last_passed: tuple[int, int] = tuple(kept["last_passed"]) if kept else (-1, -1)
        if kept:
            by_name = {str(register): register for register in group.registers}
            self._between.moved_um = {by_name[name]: moved for name, moved in kept["moved_um"].items()}
            self._between.fresh = {by_name[name] for name in kept["fresh"]}
        on_setter = [register for register in group.registers if register.is_on_setter]
        self._setter = SetterSeries(
            on_setter if machine.setter_mm is not None else (), machine.break_limit_mm, kept.get("setter")
        )
        self._tracker, self._edges = self._new_tracker(kept.get("tracker")), self._new_edges(kept.get("edges"))
        self._centres = [
            (feature.key, float(feature.lower + feature.upper) * UM_PER_MM / 2) for feature in group.features
        ]
        self._not_moved, self._not_fresh = (0.0,) * len(group.registers), (False,) * len(group.registers)

    def _new_tracker(self, snapshot: Mapping[str, Any] | None) -> "Tracker | Together | None":
        if not self.group.registers:
            return None
        from feedback.trend.together import Together
        from feedback.trend.tracker import Tracker, priors_for, shape_of

        shape, priors = shape_of(self.group), priors_for(self.group, self.machine)
        on_setter = [self.group.registers.index(register) for register in self._setter.registers]
        return Together(shape, on_setter, priors, snapshot) if on_setter else Tracker(shape, priors, snapshot)

    def _new_edges(self, snapshot: Mapping[str, Any] | None) -> Edges:
        from feedback.trend.priors import priors_for

        self._usual_edge_um = priors_for(self.group, self.machine).new_tool_level_um
        return Edges(self._usual_edge_um, snapshot)

    def advance(self, happenings: Sequence[Happening]) -> Progress:
        """Take what happened, in order."""
        run, moments, pieces = _Run(), list[Moment](), list["Outlooks"]()
        for happening in happenings:
            match happening:
                case ToolSeen():
                    self._see_tool(happening)
                case RegisterSeen():
                    self._see_register(happening)
                case SetterSeen():
                    self._setter.see(happening)
                case PartPassed():
                    self._pass_by(happening)
                case PartSeen():
                    if self._between.fresh and run.rows:  # what the parts before say of their edge is news to this one
                        self._take(run, moments, pieces)
                        run = _Run()
                    self._add(run, happening)
        if run.rows:
            self._take(run, moments, pieces)
        later = tuple(self._between.changes)
        self._between.changes = []
        return Progress(moments=tuple(moments), outlooks=_joined(pieces), later_changes=later)

    def _add(self, run: "_Run", seen: PartSeen) -> None:
        row = self._row(seen)
        run.rows.append(row)
        if self._setter.registers:
            moved = zip(self.group.registers, row.moved, row.fresh, strict=True)
            run.setter_um.append(self._setter.readings({register: um for register, um, new in moved if not new}))
        run.moments.append(self._moment(seen))

    def _take(self, run: "_Run", moments: list[Moment], pieces: list["Outlooks"]) -> None:
        """The trend counts these parts in, and what they say of new edges is remembered."""
        if self._tracker is not None:
            outlooks = self._known(run)
            pieces.append(outlooks)
            self._learn(outlooks, run.moments)
        moments += run.moments

    def _known(self, run: "_Run") -> "Outlooks":
        from feedback.trend.together import Together

        if not isinstance(self._tracker, Together):
            assert self._tracker is not None
            return self._tracker.take(run.rows)
        known = self._tracker.take(run.rows, run.setter_um)
        for k, r in zip(*known.apart.nonzero(), strict=True):
            apart = run.moments[k].apart | {self.group.registers[r]}
            run.moments[k] = replace(run.moments[k], apart=apart)
        return known.outlooks

    def _learn(self, outlooks: "Outlooks", moments: Sequence[Moment]) -> None:
        """After its first parts, where each new edge stood when it began."""
        for name in self._edges.being_met:
            r = [str(register) for register in self.group.registers].index(name)
            enough = (outlooks.parts[:, r] >= EDGE_PARTS).nonzero()[0]
            if enough.size:
                k = int(enough[0])
                track = moments[k].tracks[self.group.registers[r]]
                self._edges.learn(name, _at_begin(outlooks, k, r, track))

    @property
    def moved_since_um(self) -> tuple[float, ...]:
        """Register changes seen after the newest part, in the group's register order."""
        return tuple(self._between.moved_um.get(register, 0.0) for register in self.group.registers)

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on later, as JSON-able values."""
        return {
            "tracks": {str(register): track.to_json() for register, track in self.tracks.items()},
            "parts": self.parts,
            "last": list(self.last),
            "passed": self._between.passed,
            "last_passed": list(self._last_passed),
            "moved_um": {str(register): moved for register, moved in self._between.moved_um.items()},
            "fresh": sorted(str(register) for register in self._between.fresh),
            "tracker": None if self._tracker is None else self._tracker.snapshot(),
            "setter": self._setter.snapshot(),
            "edges": self._edges.snapshot(),
        }

    def _see_tool(self, seen: ToolSeen) -> None:
        for register in self.group.registers:
            if register.tool == seen.tool:
                self.tracks = {**self.tracks, register: self.tracks[register].after_new_tool()}
                self._between.fresh.add(register)
        self._setter.new_tool(seen.tool)

    def _see_register(self, seen: RegisterSeen) -> None:
        track = self.tracks.get(seen.register)
        if track is None:
            return
        if track.value is not None and not track.is_same(seen.value):
            moved_um = float(seen.value - track.value) * UM_PER_MM
            self._between.moved_um[seen.register] = self._between.moved_um.get(seen.register, 0.0) + moved_um
            self._between.changes.append(
                Change(
                    register=seen.register,
                    old=track.value,
                    new=seen.value,
                    source=seen.source,
                    at_new_tool=track.parts_since_new_tool == 0,
                    at_us=seen.at_us,
                )
            )
        after = track.after_print(seen.value)
        if after is not track:
            self.tracks = {**self.tracks, seen.register: after}

    def _pass_by(self, part: PartPassed) -> None:
        """Once each, whatever is delivered again, and never in hindsight."""
        place = (part.at_us, part.part_id)
        if place > max(self.last, self._last_passed):
            self._last_passed = place
            self._between.passed += 1

    def _row(self, seen: PartSeen) -> "Row":
        from feedback.trend.tracker import Row

        deviations = seen.deviations
        readings = tuple([deviations.get(key, math.nan) - centre_um for key, centre_um in self._centres])
        between = self._between
        if not between.moved_um and not between.fresh:
            return Row(
                part=seen.part,
                readings=readings,
                moved=self._not_moved,
                fresh=self._not_fresh,
                passed=between.passed,
            )
        row = Row(part=seen.part, readings=readings, **self._moved_and_fresh(), passed=between.passed)
        between.moved_um, between.fresh = {}, set()
        return row

    def _moved_and_fresh(self) -> dict[str, Any]:
        """What has happened to the registers since the part before.

        A change at a new tool is part of setting it up: the register's error starts anew, so nothing is carried over.
        """
        registers = self.group.registers
        fresh = tuple(register in self._between.fresh for register in registers)
        edges = [self._expected_edge(one) if new else None for one, new in zip(registers, fresh, strict=True)]
        moved = [0.0 if new else um for new, um in zip(fresh, self.moved_since_um, strict=True)]
        for at, edge in enumerate(edges):
            moved[at] = moved[at] if edge is None else edge.mean_um
        return {"moved": tuple(moved), "fresh": fresh, "edge_var": self._edge_var(edges)}

    def _expected_edge(self, register: Register) -> Guess | None:
        """The error that a new edge is expected to begin with, as earlier ones did with what the register now holds."""
        guess = self._edges.begin(str(register))
        return None if guess is None else guess._replace(mean_um=guess.mean_um + _held_um(self.tracks[register]))

    def _edge_var(self, edges: Sequence[Guess | None]) -> tuple[float, ...]:
        """How much less is unknown of each expected edge than of any new tool."""
        if not any(edges):
            return ()
        return tuple(0.0 if edge is None else edge.var - self._usual_edge_um**2 for edge in edges)

    def _moment(self, seen: PartSeen) -> Moment:
        self.tracks = {register: track.after_part() for register, track in self.tracks.items()}
        self.parts += 1
        self.last = (seen.at_us, seen.part_id)
        changes, passed = tuple(self._between.changes), self._between.passed
        self._between.changes, self._between.passed = [], 0
        return Moment(seen=seen, tracks=self.tracks, changes=changes, passed=passed)


def _held_um(track: Track) -> float:
    return 0.0 if track.value is None else float(track.value) * UM_PER_MM


def _at_begin(outlooks: "Outlooks", k: int, r: int, track: Track) -> Guess:
    """After part `k`, the set-up error of register `r` when its edge began: the wear since is taken off again."""
    slope, since = outlooks.states.slope[r], int(outlooks.parts[k, r]) - 1
    mean, cov = outlooks.mean[k], outlooks.cov[k]
    assert slope is not None  # only tools are replaced
    var = cov[r, r] - 2 * since * cov[r, slope] + since**2 * cov[slope, slope] + since * outlooks.walk_var[k, r]
    return Guess(float(mean[r] - since * mean[slope]) - _held_um(track), float(var))


def _joined(pieces: Sequence["Outlooks"]) -> "Outlooks | None":
    if not pieces:
        return None
    from feedback.trend.together import joined

    return joined(pieces)
