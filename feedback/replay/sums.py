"""How the parts would have come out under every setting: readings summed over stretches of time. Pure.

A reading is what was read plus what a setting put into the registers beside what really was. Over a stretch in which
that second part stands still, the squares follow from three running sums that no setting touches, and the extremes from
those of what was read. Only where these are far off are readings looked at one by one.
"""

import numpy as np
from numpy.typing import NDArray

from feedback.replay.lanes import BLOCKS, Lanes
from feedback.replay.place import Place
from feedback.replay.ranges import Extremes

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]

SLACK_UM = 1e-6  # far-off readings are looked for a little wider than they are judged


class Readings:
    """The F features of `lanes` under S settings; `implausible_um` is F x S, the least that a register of each allows.

    Stretches are at most `longest` rows long. `moved_um` (F S) is what lies in a reading beside what was read.
    """

    def __init__(self, lanes: Lanes, implausible_um: Floats, longest: int) -> None:
        self.lanes = lanes
        self.features, self.settings = implausible_um.shape
        cells = self.features * self.settings
        self.moved_um: Floats = np.zeros(cells)
        self.lowest_um, self.highest_um = np.full(cells, np.inf), np.full(cells, -np.inf)
        self.squares = np.zeros((BLOCKS + 1) * cells)
        self.outside = np.zeros((BLOCKS + 1) * cells, dtype=np.int64)
        self.block = lanes.block[:, lanes.lane_of].ravel().astype(np.int64)
        self.void = lanes.void[:, lanes.lane_of].ravel()
        lower, upper, guard = (column[:, None] for column in (lanes.lower_um, lanes.upper_um, lanes.guard_um))
        self.low_um = (np.maximum(lower + guard, -implausible_um) + SLACK_UM).ravel()
        self.high_um = (np.minimum(upper - guard, implausible_um) - SLACK_UM).ravel()
        self._sum_what_was_read(longest)

    def _sum_what_was_read(self, longest: int) -> None:
        lanes = self.lanes
        counts = ~np.isnan(lanes.read_um) & ~lanes.wild
        off = np.where(counts, lanes.read_um - (lanes.lower_um + lanes.upper_um) / 2, 0.0)
        self.running = [_running(column).ravel() for column in (counts.astype(np.float64), off, np.square(off))]
        within = counts & (self.block < BLOCKS).reshape(counts.shape)
        self.all = Extremes(lanes.read_um, longest)
        self.counted = Extremes(np.where(within, lanes.read_um, np.nan), longest)
        self.read = np.zeros((BLOCKS + 1, self.features), dtype=np.int64)
        feature = np.broadcast_to(np.arange(self.features), counts.shape)[counts]
        np.add.at(self.read, (self.block.reshape(counts.shape)[counts], feature), 1)

    def places(self, cell: Counts, row: Counts) -> Place:
        """Features under settings (cells of `moved_um`) from these rows on."""
        feature = cell // self.settings
        return Place(row, feature, cell, row * self.features + feature)

    def far_off(self, some: Place, end: Counts) -> Place:
        """The readings before row `end` for which, as things stand, the registers behind them have to be looked at."""
        low, high = (
            self.low_um[some.cell] - self.moved_um[some.cell],
            self.high_um[some.cell] - self.moved_um[some.cell],
        )
        lowest, highest = self.all.over(some.lane, some.row, end - some.row)
        has = np.flatnonzero((lowest < low) | (highest > high))
        some, low, high, length = some[has], low[has, None], high[has, None], (end - some.row)[has]
        ahead = np.arange(int(length.max(initial=0)))
        read = self.all.each.take((some.lane * self.all.rows + some.row)[:, None] + ahead, mode="clip")
        which, after = np.nonzero(((read < low) | (read > high)) & (ahead < length[:, None]))
        return some[which].on(after, self.features)

    def take(self, some: Place, end: Counts) -> None:
        """Add up a stretch from each place to before row `end`; it lies in one stretch of time."""
        moved = self.moved_um[some.cell]
        last = end * self.features + some.lane
        count, total, squares = (column[last] - column[some.column] for column in self.running)
        added = np.maximum(0.0, squares + moved * (2 * total + moved * count))
        self.squares[self._by_block(some)] += added
        lowest, highest = self.counted.over(some.lane, some.row, end - some.row)
        self.lowest_um[some.cell] = np.fmin(self.lowest_um[some.cell], lowest + moved)
        self.highest_um[some.cell] = np.fmax(self.highest_um[some.cell], highest + moved)

    def count_outside(self, far: Place) -> None:
        """Count which of these are out of tolerance."""
        outside = far[(self.room_um(far) < 0) & ~self.void[far.column]]
        np.add.at(self.outside, self._by_block(outside), 1)

    def _by_block(self, some: Place) -> Counts:
        return self.block[some.column] * len(self.moved_um) + some.cell

    def read_um(self, some: Place) -> Floats:
        return np.asarray(self.lanes.read_um.ravel()[some.column] + self.moved_um[some.cell], dtype=np.float64)

    def room_um(self, some: Place) -> Floats:
        """How far readings are from the nearer limit of their tolerance; below 0: outside."""
        read = self.read_um(some)
        return np.minimum(self.lanes.upper_um[some.lane] - read, read - self.lanes.lower_um[some.lane])

    @property
    def least_room_um(self) -> Floats:
        """F x S, the smallest distance to a limit; inf where nothing was read."""
        lowest, highest = self.table(self.lowest_um), self.table(self.highest_um)
        return np.minimum(self.lanes.upper_um[:, None] - highest, lowest - self.lanes.lower_um[:, None])

    def table(self, flat: NDArray[np.float64]) -> Floats:
        return flat.reshape(self.features, self.settings)


def _running(column: Floats) -> Floats:
    """Sums of the rows before each row, and of all."""
    return np.concatenate([np.zeros((1, column.shape[1])), np.cumsum(column, axis=0)])
