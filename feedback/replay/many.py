"""The past decided again under many settings at once: real corrections taken out, those of each setting put in. Pure.

Every proposal is taken for accepted and entered after the shop's own lag, unless a new tool comes first. A change that
a person made by hand stays; a new tool is set up as it really was. A change wrongly said not to do what was promised
would hold its register; a person releases it at once, and it is counted. Nothing looks ahead: what a row decides rests
on that row alone and on what was decided before.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from feedback.follow import UM_PER_MM
from feedback.replay.arithmetic import HOLD, STOP, Facts, Settings, band_um, decided
from feedback.replay.lanes import BLOCKS, Lanes
from feedback.replay.past import Counts, Flags, Floats
from feedback.replay.proof import proof
from rules.limits import Limits

NEVER: Final = -1
DECIMALS: Final = 1e9  # of a millimetre or degree: registers hold fewer


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of S settings. Sums over stretches of time, the last of which (BLOCKS) is outside the replay."""

    names: tuple[str, ...]  # B registers
    keys: tuple[str, ...]  # F features
    lane_of: Counts  # F
    is_length: Flags  # F
    read: Counts  # (BLOCKS + 1) x F readings that count
    squares: Floats  # (BLOCKS + 1) x F x S, um^2 from the centre of the tolerance
    outside: Counts  # (BLOCKS + 1) x F x S
    room_um: Floats  # F x S, the smallest distance to a limit
    parts: Counts  # (BLOCKS + 1) x B
    corrections: Counts  # (BLOCKS + 1) x B x S
    held: Counts  # likewise, parts at which a correction had to wait for a person
    stopped: Counts
    alarms: Counts  # B x S, changes wrongly said not to do what was promised
    held_um: Floats | None = None  # T x B x S, what was in the registers beside what really was
    answer: NDArray[np.int8] | None = None  # T x B x S
    change: Floats | None = None  # T x B x S, proposed, in increments


def decide_many(lanes: Lanes, each: Sequence[Sequence[Limits]], *, keep_paths: bool = False) -> Outcome:
    """The outcome of every setting; `each` gives for every setting the limits of every lane."""
    settings = Settings.of([limits[lane] for lane in range(len(lanes.names)) for limits in each])
    return _Many(lanes, settings.reshaped(len(lanes.names), len(each)), len(each), keep_paths).outcome()


@dataclass
class _State:
    """Of every lane under every setting: what is in the register beside what really was, and what is under way."""

    shape: tuple[int, int]
    extra: Floats = field(init=False)  # increments
    travel_um: Floats = field(init=False)
    since_change: Floats = field(init=False)  # inf: never
    has_new_tool: Flags = field(init=False)
    due: Counts = field(init=False)  # row; NEVER: nothing is under way
    coming: Floats = field(init=False)
    watched: Counts = field(init=False)  # the row from which a change is watched; NEVER: none
    watched_um: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.extra, self.travel_um, self.coming, self.watched_um = (np.zeros(self.shape) for _ in range(4))
        self.since_change = np.full(self.shape, np.inf)
        self.has_new_tool = np.zeros(self.shape, dtype=np.bool_)
        self.due, self.watched = (np.full(self.shape, NEVER, dtype=np.int64) for _ in range(2))


class _Many:
    def __init__(self, lanes: Lanes, settings: Settings, count: int, keep_paths: bool) -> None:
        self.lanes, self.settings, self.keep_paths = lanes, settings, keep_paths
        rows, width = lanes.error_um.shape
        features = len(lanes.keys)
        self.state = _State((width, count))
        self.band_um = band_um(lanes.half_um[:, None], lanes.pull[:, None], settings)
        self.centre_um = ((lanes.lower_um + lanes.upper_um) / 2)[:, None]
        self.features, self.columns = np.arange(features), np.arange(width)
        self.squares = np.zeros((BLOCKS + 1, features, count))
        self.outside = np.zeros((BLOCKS + 1, features, count), dtype=np.int64)
        self.read = np.zeros((BLOCKS + 1, features), dtype=np.int64)
        self.room_um = np.full((features, count), np.inf)
        self.parts = np.zeros((BLOCKS + 1, width), dtype=np.int64)
        self.corrections, self.held, self.stopped = (
            np.zeros((BLOCKS + 1, width, count), dtype=np.int64) for _ in range(3)
        )
        self.alarms = np.zeros((width, count), dtype=np.int64)
        shape = (rows, width, count) if keep_paths else (0, width, count)
        self.path, self.answers, self.changes = np.zeros(shape), np.zeros(shape, dtype=np.int8), np.zeros(shape)

    def outcome(self) -> Outcome:
        with np.errstate(invalid="ignore", divide="ignore"):
            for row in range(len(self.lanes.error_um)):
                self._take(row)
        return Outcome(
            names=self.lanes.names,
            keys=self.lanes.keys,
            lane_of=self.lanes.lane_of,
            is_length=self.lanes.is_length,
            read=self.read,
            squares=self.squares,
            outside=self.outside,
            room_um=self.room_um,
            parts=self.parts,
            corrections=self.corrections,
            held=self.held,
            stopped=self.stopped,
            alarms=self.alarms,
            held_um=self.path if self.keep_paths else None,
            answer=self.answers if self.keep_paths else None,
            change=self.changes if self.keep_paths else None,
        )

    def _take(self, row: int) -> None:
        is_there = row < self.lanes.rows
        self._change_registers(row, is_there)
        self.state.since_change += 1
        unproven = self._watch(row, is_there)
        extra_um = _um(self.state.extra, self.lanes.increment_mm)
        is_out, worst_um = self._read(row, extra_um)
        self._decide(row, is_there, extra_um, unproven, is_out, worst_um)
        if self.keep_paths:
            self.path[row] = extra_um

    # What happens to the registers before the part ------------------------------------------------------------------

    def _change_registers(self, row: int, is_there: Flags) -> None:
        lanes, state = self.lanes, self.state
        moved_um = np.broadcast_to(lanes.hand_um[row][:, None], state.shape).copy()
        state.extra -= lanes.entry[row][:, None]
        is_due = (state.due == row) & is_there[:, None] & ~lanes.fresh[row][:, None]
        if is_due.any():
            self._enter(row, is_due, moved_um)
        is_moved = moved_um != 0
        if is_moved.any():
            state.travel_um[is_moved] += moved_um[is_moved]
            state.since_change[is_moved], state.has_new_tool[is_moved] = 0.0, False
            if row:
                state.watched[is_moved], state.watched_um[is_moved] = row, moved_um[is_moved]
        fresh = lanes.fresh[row]
        if fresh.any():
            state.extra[fresh], state.travel_um[fresh], state.since_change[fresh] = 0.0, 0.0, np.inf
            state.has_new_tool[fresh], state.due[fresh], state.watched[fresh] = True, NEVER, NEVER

    def _enter(self, row: int, is_due: Flags, moved_um: Floats) -> None:
        state = self.state
        entered = np.where(is_due, state.coming, 0.0)
        state.extra += entered
        moved_um += _um(entered, self.lanes.increment_mm)
        state.due[is_due] = NEVER
        self.corrections[self.lanes.block[row], self.columns] += is_due

    # What the part says ---------------------------------------------------------------------------------------------

    def _watch(self, row: int, is_there: Flags) -> Flags:
        """The registers whose last change has not been seen to work yet."""
        lanes, state = self.lanes, self.state
        unproven = np.zeros(state.shape, dtype=np.bool_)
        lane, setting = np.nonzero((state.watched >= 0) & is_there[:, None])
        if not len(lane):
            return unproven
        begun = state.watched[lane, setting]
        since = np.minimum(row - begun, lanes.step_um.shape[2] - 1)
        found = proof(
            state.watched_um[lane, setting],
            lanes.step_um[begun, lane, since],
            lanes.step_sd_um[begun, lane, since],
            lanes.step_parts[begun, lane, since],
            row - begun + 1,
            self.settings.settle[lane, setting],
        )
        unproven[lane, setting] = found.is_unproven
        over = found.is_over
        state.watched[lane[over], setting[over]] = NEVER
        np.add.at(self.alarms, (lane, setting), found.contradicts)
        return unproven

    def _read(self, row: int, extra_um: Floats) -> tuple[Flags, Floats]:
        """Sum up how the part would have come out; per lane whether it is out of tolerance, and its worst reading."""
        lanes = self.lanes
        read = lanes.read_um[row][:, None] + np.einsum("fr,frs->fs", lanes.pulled, extra_um[lanes.mover])
        above, below = lanes.upper_um[:, None] - read, read - lanes.lower_um[:, None]
        room = np.minimum(above, below)
        block = lanes.block[row][lanes.lane_of]
        is_read = ~np.isnan(lanes.read_um[row])
        counts = is_read & ~lanes.wild[row]
        self.read[block, self.features] += counts
        off = np.where(counts[:, None], read - self.centre_um, 0.0)
        self.squares[block, self.features] += np.square(off)
        self.outside[block, self.features] += (room < 0) & is_read[:, None]
        inside_span = counts & (block < BLOCKS)
        self.room_um[inside_span] = np.minimum(self.room_um[inside_span], room[inside_span])
        return self._by_lane(room - lanes.guard_um[:, None], np.abs(read))

    def _by_lane(self, room: Floats, size: Floats) -> tuple[Flags, Floats]:
        member = self.lanes.member
        nothing = (member < 0)[:, :, None]
        is_out = np.any((room[member] < 0) & ~nothing, axis=1)
        last = np.where(nothing | np.isnan(size[member]), -1.0, size[member])
        return is_out, np.max(last, axis=1)

    def _decide(
        self, row: int, is_there: Flags, extra_um: Floats, unproven: Flags, is_out: Flags, worst_um: Floats
    ) -> None:
        lanes, state = self.lanes, self.state
        found = decided(self._facts(row, extra_um, unproven, is_out, worst_um), self.settings, self.band_um)
        block = lanes.block[row]
        counts = (is_there & (block < BLOCKS))[:, None]
        self.parts[block, self.columns] += is_there
        self.held[block, self.columns] += (found.answer == HOLD) & counts
        self.stopped[block, self.columns] += (found.answer == STOP) & counts
        asked = (found.change != 0) & counts & (state.due == NEVER)
        due = np.broadcast_to(lanes.due[row][:, None], state.shape)
        state.due[asked], state.coming[asked] = due[asked], found.change[asked]
        if self.keep_paths:
            self.answers[row], self.changes[row] = found.answer, np.where(asked, found.change, 0.0)

    def _facts(self, row: int, extra_um: Floats, unproven: Flags, is_out: Flags, worst_um: Floats) -> Facts:
        lanes, state = self.lanes, self.state

        def of(column: NDArray[Any]) -> Any:
            return column[row][:, None]

        return Facts(
            error_um=of(lanes.error_um) + extra_um,
            sd_um=of(lanes.sd_um),
            margin_um=of(lanes.margin_um),
            half_um=lanes.half_um[:, None],
            pull=lanes.pull[:, None],
            onward_um=lanes.onward_um[row][:, None],
            drift_um=of(lanes.drift_um),
            slope_sd_um=of(lanes.slope_sd_um),
            wear_sign=lanes.wear_sign[:, None],
            is_tool=lanes.is_tool[:, None],
            parts=of(lanes.parts),
            bar=of(lanes.bar),
            worst_um=worst_um,
            is_outside=is_out,
            since_change=state.since_change,
            is_unproven=unproven,
            is_pending=state.due != NEVER,
            may_grow=state.has_new_tool,
            travel_um=state.travel_um,
            now=of(lanes.now) + state.extra,
            increment_mm=lanes.increment_mm[:, None],
        )


def _um(increments: Floats, increment_mm: Floats) -> Floats:
    """Increments in micrometres, to the last bit what the difference of two printed values is."""
    return np.rint(increments * increment_mm[:, None] * DECIMALS) / DECIMALS * UM_PER_MM
