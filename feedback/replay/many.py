"""The past decided again under many settings at once: real corrections taken out, those of each setting put in. Pure.

Every proposal is taken for accepted and entered after the shop's own lag, unless a new tool comes first. A change that
a person made by hand stays; a new tool is set up as it really was. A change wrongly said not to do what was promised
would hold its register; a person releases it at once, and it is counted.

A group under one setting lives from stretch to stretch: over a stretch nothing is changed in its registers, so that all
its rows can be worked out together, up to the first in which a correction is asked for. All groups under all settings
take one stretch at a time, each from its own row on. Nothing looks ahead: what a row decides rests on that row alone
and on what was decided before.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from feedback.replay.arithmetic import HOLD, STOP, Facts, Settings, band_um, decided
from feedback.replay.held import NEVER, Held
from feedback.replay.lanes import BLOCKS, Lanes
from feedback.replay.past import Counts, Flags, Floats
from feedback.replay.place import Place
from feedback.replay.ranges import Extremes
from feedback.replay.sums import Readings
from rules.limits import Limits

ROWS_AT_ONCE: Final = 32  # of a stretch; more are looked at in vain when a correction comes early


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


@dataclass(frozen=True, slots=True)
class _Look:
    """n lanes, each under one setting and from one row on; tables are n x L for the rows ahead.

    A lane with a correction on its way is to wait for it, one that needs none is to stop when a reading is out: these
    are clear at a glance. Where something is odd that no limit touches, or a correction is wished for, more is asked.
    """

    which: Counts  # of the lanes that go on
    at: Place
    wishes: Flags
    is_odd: Flags
    is_out: Flags  # of tolerance
    is_implausible: Flags
    is_pending: Flags  # n

    @property
    def is_open(self) -> Flags:
        return self.is_odd | (self.wishes & ~self.is_pending[:, None])

    @property
    def stopped(self) -> Flags:
        return (self.is_out | self.is_implausible) & ~self.is_open

    @property
    def held(self) -> Flags:
        return self.wishes & ~self.is_open & ~self.stopped

    def before(self, end: Counts) -> Flags:
        """n x L: the rows before `end`, which is given for every lane that goes on."""
        return np.asarray(np.arange(self.wishes.shape[1]) < (end[self.which] - self.at.row)[:, None])


class _Many:
    def __init__(self, lanes: Lanes, settings: Settings, count: int, keep_paths: bool) -> None:
        self.lanes, self.settings, self.count, self.keep_paths = lanes, settings.reshaped(-1), count, keep_paths
        self.rows, self.width = lanes.error_um.shape
        self.held = Held(lanes, self.settings, count)
        self.readings = Readings(lanes, _least_of_feature(lanes, settings.implausible_um), ROWS_AT_ONCE)
        self.band_um = band_um(lanes.half_um[:, None], lanes.pull[:, None], settings).ravel()
        self.noticed_um = Extremes(_noticed(lanes), ROWS_AT_ONCE)
        self.groups, self.group = np.unique(lanes.first, return_inverse=True)
        self.next_event = _next_events(lanes, self.groups)[:, self.group].ravel()
        # of every lane under every setting: the next row, and the one after its last
        self.row, self.end = np.zeros(self.width * count, dtype=np.int64), np.repeat(lanes.rows, count)
        self.owner = (lanes.lane_of[:, None] * count + np.arange(count)).ravel()  # F S: a feature's cell of a lane
        self.said = {code: np.zeros((BLOCKS + 1) * len(self.row), dtype=np.int64) for code in (HOLD, STOP)}
        shape = (self.rows if keep_paths else 0, self.width, count)
        self.path, self.answers, self.changes = np.zeros(shape), np.zeros(shape, dtype=np.int8), np.zeros(shape)

    def outcome(self) -> Outcome:
        with np.errstate(invalid="ignore", divide="ignore"):
            while len(cell := np.flatnonzero(self.row < self.end)):
                self._go_on(cell)
        lanes, readings, of_lanes = self.lanes, self.readings, (BLOCKS + 1, self.width, self.count)
        return Outcome(
            names=lanes.names,
            keys=lanes.keys,
            lane_of=lanes.lane_of,
            is_length=lanes.is_length,
            read=readings.read,
            squares=readings.squares.reshape(BLOCKS + 1, -1, self.count),
            outside=readings.outside.reshape(BLOCKS + 1, -1, self.count),
            room_um=readings.least_room_um,
            parts=_parts(lanes),
            corrections=self.held.corrections.reshape(of_lanes),
            held=self.said[HOLD].reshape(of_lanes),
            stopped=self.said[STOP].reshape(of_lanes),
            alarms=self.held.alarms.reshape(self.width, self.count),
            held_um=self.path if self.keep_paths else None,
            answer=self.answers if self.keep_paths else None,
            change=self.changes if self.keep_paths else None,
        )

    def _go_on(self, cell: Counts) -> None:
        """One stretch of every group that has rows left."""
        row, lane = self.row[cell], cell // self.count
        at = Place(row, lane, cell, row * self.width + lane)
        read_cell = np.flatnonzero((self.row < self.end)[self.owner])
        read = self.readings.places(read_cell, self.row[self.owner[read_cell]])
        self._move_readings(self.held.change(at))
        self.row[cell] = self._first_of_group(at, self._ends(at))
        far = self.readings.far_off(read, self.row[self.owner[read_cell]])
        self.row[cell] = self._decide(at, self.row[cell], far)
        self.held.end_watches(at, self.row[cell])
        self.readings.take(read, self.row[self.owner[read_cell]])
        self.readings.count_outside(far[far.row < self.row[self.owner[far.cell]]])
        if self.keep_paths:
            self._keep_path(at, self.row[cell])

    def _ends(self, at: Place) -> Counts:
        """For each lane the row before which nothing happens to it, or that is far enough for once."""
        due = self.held.due[at.cell]
        known = np.minimum(self.next_event[at.column], np.where(due == NEVER, self.rows, due))
        return np.minimum(np.minimum(known, at.row + ROWS_AT_ONCE), self.end[at.cell])

    def _first_of_group(self, at: Place, row: Counts) -> Counts:
        rows = self.end.copy()
        rows[at.cell] = row
        first: Counts = np.minimum.reduceat(rows.reshape(self.width, self.count), self.groups, axis=0)
        return first[self.group].ravel()[at.cell]

    def _move_readings(self, at: Place) -> None:
        """These registers hold something else now."""
        lanes, member = self.lanes, self.lanes.member[at.lane]
        setting = np.broadcast_to((at.cell % self.count)[:, None], member.shape)[member >= 0]
        feature = member[member >= 0]
        mover = lanes.mover[feature] * self.count + setting[:, None]
        shares = lanes.pulled[feature] * self.held.extra_um[mover]
        # summed in one order, however many registers stand beside these
        self.readings.moved_um[feature * self.count + setting] = sum(shares.T, np.zeros(len(feature)))

    # What the parts say ---------------------------------------------------------------------------------------------

    def _decide(self, at: Place, end: Counts, far: Place) -> Counts:
        """Decide up to before row `end`; the row before which each stretch ends where corrections are asked for."""
        look = self._look(at, end, far)
        which, after = np.nonzero(look.is_open & look.before(end))
        seen, place = look.at[which].on(after, self.width), look.which[which]
        facts = self._facts(seen, look.is_out[which, after], look.is_implausible[which, after])
        found = decided(facts, self.settings.at(seen.cell), self.band_um[seen.cell])
        is_within = self.lanes.block.ravel()[seen.column] < BLOCKS
        asked = np.flatnonzero((found.change != 0) & is_within & ~look.is_pending[which])
        first = end.copy()
        np.minimum.at(first, place[asked], seen.row[asked] + 1)
        end = self._first_of_group(at, first)
        asked = asked[seen.row[asked] + 1 == end[place[asked]]]
        self.held.ask(seen[asked], found.change[asked])
        is_past = seen.row < end[place]
        self._count(seen[is_past], found.answer[is_past])
        self._count_at_a_glance(look, look.before(end))
        if self.keep_paths:
            self.changes[self._whole(seen[asked])] = found.change[asked]
        return end

    def _look(self, at: Place, end: Counts, far: Place) -> _Look:
        """The lanes of which there may be more to say than to leave them."""
        moves = self.lanes.pulled[far.lane] != 0
        mover, far = self.lanes.mover[far.lane][moves], far[np.nonzero(moves)[0]]
        far_cell = mover * self.count + far.cell % self.count
        which = self._worth_a_look(at, end, far_cell)
        some, ahead = at[which], np.arange(int((end - at.row)[which].max(initial=0)))
        off_um = self.noticed_um.each.take((some.lane * self.rows + some.row)[:, None] + ahead, mode="clip")
        is_out, is_implausible = self._far_off(some, len(ahead), far, far_cell)
        return _Look(
            which=which,
            at=some,
            wishes=np.abs(off_um + self.held.extra_um[some.cell, None]) > self.band_um[some.cell, None],
            is_odd=np.isinf(off_um),
            is_out=is_out,
            is_implausible=is_implausible,
            is_pending=self.held.due[some.cell] != NEVER,
        )

    def _worth_a_look(self, at: Place, end: Counts, far_cell: Counts) -> Counts:
        """Which lanes have a far-off reading, or are anywhere off by more than their band."""
        has_far = np.zeros(len(self.row), dtype=np.bool_)
        has_far[far_cell] = True
        lowest, highest = self.noticed_um.over(at.lane, at.row, end - at.row)
        extra_um, band_um = self.held.extra_um[at.cell], self.band_um[at.cell]
        return np.flatnonzero(has_far[at.cell] | (highest + extra_um > band_um) | (lowest + extra_um < -band_um))

    def _far_off(self, some: Place, length: int, far: Place, far_cell: Counts) -> tuple[Flags, Flags]:
        """Where in the rows ahead of `some` a reading is out of tolerance, and where it is not to be believed."""
        place = np.zeros(len(self.row), dtype=np.int64)
        place[some.cell] = np.arange(len(some))
        which = place[far_cell]
        at = which * length + far.row - some.row[which]
        is_out, is_implausible = np.zeros((2, len(some) * length), dtype=np.bool_)
        is_out[at[self.readings.room_um(far) < self.lanes.guard_um[far.lane]]] = True
        is_implausible[at[np.abs(self.readings.read_um(far)) > self.settings.implausible_um[far_cell]]] = True
        return is_out.reshape(len(some), length), is_implausible.reshape(len(some), length)

    def _facts(self, at: Place, is_out: Flags, is_implausible: Flags) -> Facts:
        lanes, held = self.lanes, self.held
        changed = held.changed[at.cell]
        return Facts(
            error_um=lanes.error_um.ravel()[at.column] + held.extra_um[at.cell],
            sd_um=lanes.sd_um.ravel()[at.column],
            margin_um=lanes.margin_um.ravel()[at.column],
            half_um=lanes.half_um[at.lane],
            pull=lanes.pull[at.lane],
            onward_um=lanes.onward_um.reshape(-1, lanes.onward_um.shape[2])[at.column],
            drift_um=lanes.drift_um.ravel()[at.column],
            slope_sd_um=lanes.slope_sd_um.ravel()[at.column],
            wear_sign=lanes.wear_sign[at.lane],
            is_tool=lanes.is_tool[at.lane],
            parts=lanes.parts.ravel()[at.column],
            bar=lanes.bar.ravel()[at.column],
            worst_um=np.where(is_implausible, np.inf, 0.0),
            is_outside=is_out,
            since_change=np.where(changed == NEVER, np.inf, at.row - changed + 1.0),
            is_unproven=held.is_unproven(at),
            is_pending=held.due[at.cell] != NEVER,
            may_grow=held.has_new_tool[at.cell],
            travel_um=held.travel_um[at.cell],
            now=lanes.now.ravel()[at.column] + held.extra[at.cell],
            increment_mm=lanes.increment_mm[at.lane],
        )

    # What is counted, and kept of every row -------------------------------------------------------------------------

    def _count(self, at: Place, answer: NDArray[np.int8]) -> None:
        for code, sums in self.said.items():
            np.add.at(sums, self._by_block(at[answer == code]), 1)
        if self.keep_paths:
            self.answers[self._whole(at)] = answer

    def _count_at_a_glance(self, look: _Look, is_past: Flags) -> None:
        for code, table in ((HOLD, look.held & is_past), (STOP, look.stopped & is_past)):
            self.said[code][self._by_block(look.at)] += table.sum(axis=1)
            if self.keep_paths:
                which, after = np.nonzero(table)
                self.answers[self._whole(look.at[which].on(after, self.width))] = code

    def _by_block(self, at: Place) -> Counts:
        return self.lanes.block.ravel()[at.column].astype(np.int64) * len(self.row) + at.cell

    def _whole(self, at: Place) -> tuple[Counts, Counts, Counts]:
        return at.row, at.lane, at.cell % self.count

    def _keep_path(self, at: Place, end: Counts) -> None:
        which, after = np.nonzero(np.arange(ROWS_AT_ONCE) < (end - at.row)[:, None])
        some = at[which].on(after, self.width)
        self.path[self._whole(some)] = self.held.extra_um[some.cell]


def _next_events(lanes: Lanes, groups: Counts) -> Counts:
    """T x groups: the next row at which something happens to a register of a group, or a stretch of time begins."""
    is_event = (lanes.hand_um != 0) | (lanes.entry != 0) | lanes.fresh
    is_event[1:] |= lanes.block[1:] != lanes.block[:-1]
    of_group = np.logical_or.reduceat(is_event, groups, axis=1)
    row = np.where(of_group, np.arange(len(is_event))[:, None], len(is_event))
    since = np.minimum.accumulate(row[::-1], axis=0)[::-1]
    return np.concatenate([since[1:], np.full((1, len(groups)), len(is_event))])


def _noticed(lanes: Lanes) -> Floats:
    """T x B: what is off; infinite where there may be something to say whatever the limits are."""
    is_odd = (lanes.bar != 0) | ~np.isfinite(lanes.error_um) | ~(lanes.margin_um > 0)
    return np.where(is_odd, np.inf, lanes.error_um)


def _parts(lanes: Lanes) -> Counts:
    """(BLOCKS + 1) x B."""
    parts = np.zeros((BLOCKS + 1, len(lanes.names)), dtype=np.int64)
    row, lane = np.nonzero(np.arange(len(lanes.block))[:, None] < lanes.rows)
    np.add.at(parts, (lanes.block[row, lane], lane), 1)
    return parts


def _least_of_feature(lanes: Lanes, of_lane: Floats) -> Floats:
    """F x S: the least that a limit (B x S) is for the registers that move each feature."""
    each = np.where((lanes.pulled != 0)[:, :, None], of_lane[lanes.mover], np.inf)
    return np.asarray(each.min(axis=1), dtype=np.float64)
