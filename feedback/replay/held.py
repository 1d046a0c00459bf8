"""What every setting put into the registers, what is on its way, and whether it has been seen to work. Pure."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from feedback.effect import MOST_ROWS
from feedback.follow import UM_PER_MM
from feedback.replay.arithmetic import Settings
from feedback.replay.lanes import BLOCKS, Lanes
from feedback.replay.place import Place
from feedback.replay.proof import Proof, proof

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]

NEVER: Final = -1
DECIMALS: Final = 1e9  # of a millimetre or degree: registers hold fewer


class Held:
    """The registers of B lanes under S settings, each as it was left by the last stretch; flat, B S cells."""

    def __init__(self, lanes: Lanes, settings: Settings, count: int) -> None:
        self.lanes, self.settle = lanes, settings.settle.ravel()
        cells = len(lanes.names) * count
        self.extra = np.zeros(cells)  # increments beside what really was
        self.extra_um = np.zeros(cells)
        self.travel_um = np.zeros(cells)
        self.changed = np.full(cells, NEVER)  # row; NEVER: not since the tool is new
        self.has_new_tool = np.zeros(cells, dtype=np.bool_)
        self.due = np.full(cells, NEVER)  # row; NEVER: nothing is on its way
        self.coming = np.zeros(cells)  # increments
        self.watched = np.full(cells, NEVER)  # the row from which a change is watched; NEVER: none
        self.watched_um = np.zeros(cells)
        self.told = np.full(cells, NEVER)  # the row that ends the watch
        self.contradicts = np.zeros(cells, dtype=np.bool_)  # how it ends
        self.alarms = np.zeros(cells, dtype=np.int64)
        self.corrections = np.zeros((BLOCKS + 1) * cells, dtype=np.int64)

    # What happens to the registers before a part --------------------------------------------------------------------

    def change(self, at: Place) -> Place:
        """Do what happens to these registers before the parts of their rows; those that hold something else now."""
        lanes = self.lanes
        fresh, entry = lanes.fresh.ravel()[at.column], lanes.entry.ravel()[at.column]
        hand_um = lanes.hand_um.ravel()[at.column]
        is_due = (self.due[at.cell] == at.row) & ~fresh
        touched = np.flatnonzero(is_due | fresh | (entry != 0) | (hand_um != 0))
        at, is_due = at[touched], is_due[touched]
        entered = np.where(is_due, self.coming[at.cell], 0.0)
        self._count(at[is_due])
        self.extra[at.cell] += entered - entry[touched]
        moved_um = hand_um[touched] + _um(entered, lanes.increment_mm[at.lane])
        self._move(at[moved_um != 0], moved_um[moved_um != 0])
        self._change_tools(at[fresh[touched]])
        self.extra_um[at.cell] = _um(self.extra[at.cell], lanes.increment_mm[at.lane])
        return at

    def _count(self, at: Place) -> None:
        self.due[at.cell] = NEVER
        block = self.lanes.block.ravel()[at.column].astype(np.int64)
        self.corrections[block * len(self.extra) + at.cell] += 1

    def _move(self, at: Place, moved_um: Floats) -> None:
        """A person has changed these registers, of their own accord or on a proposal."""
        self.travel_um[at.cell] += moved_um
        self.changed[at.cell], self.has_new_tool[at.cell] = at.row, False
        self._watch(at[at.row > 0], moved_um[at.row > 0])

    def _change_tools(self, at: Place) -> None:
        self.extra[at.cell], self.travel_um[at.cell], self.has_new_tool[at.cell] = 0.0, 0.0, True
        self.changed[at.cell], self.due[at.cell], self.watched[at.cell] = NEVER, NEVER, NEVER

    def ask(self, at: Place, change: Floats) -> None:
        """Corrections are proposed after these rows, in increments; they are entered when they can be."""
        self.due[at.cell], self.coming[at.cell] = self.lanes.due.ravel()[at.column], change

    # Whether a change is seen to work -------------------------------------------------------------------------------

    def _watch(self, at: Place, moved_um: Floats) -> None:
        """Watch changes from these rows on; no reading is asked before it has come."""
        self.watched[at.cell], self.watched_um[at.cell] = at.row, moved_um
        since = np.arange(self.lanes.step_um.shape[2] + 1)
        since[-1] = max(since[-1], MOST_ROWS - 1)
        found = self._proof(at.cell[:, None], at.column[:, None], since)
        last = np.argmax(found.is_over, axis=1)
        self.told[at.cell] = at.row + since[last]
        self.contradicts[at.cell] = found.contradicts[np.arange(len(at)), last]

    def _proof(self, cell: Counts, column: Counts, since: Counts) -> Proof:
        """Of changes that were first seen at `column`, so many rows later."""
        lanes, width = self.lanes, self.lanes.step_um.shape[2]
        known = column * width + np.minimum(since, width - 1)
        return proof(
            self.watched_um[cell],
            lanes.step_um.ravel()[known],
            lanes.step_sd_um.ravel()[known],
            lanes.step_parts.ravel()[known],
            since + 1,
            self.settle[cell],
        )

    def is_unproven(self, at: Place) -> Flags:
        """Registers whose last change has not been seen to work yet."""
        begun = self.watched[at.cell]
        watched = np.flatnonzero((begun != NEVER) & (at.row < self.told[at.cell]))
        since = at.row[watched] - begun[watched]
        found = self._proof(at.cell[watched], at.column[watched] - since * len(self.lanes.names), since)
        unproven = np.zeros(len(at), dtype=np.bool_)
        unproven[watched] = found.is_unproven
        return unproven

    def end_watches(self, at: Place, end: Counts) -> None:
        """What was to be told before these rows has been told."""
        cell = at.cell[(self.watched[at.cell] != NEVER) & (self.told[at.cell] < end)]
        self.alarms[cell] += self.contradicts[cell]
        self.watched[cell] = NEVER


def _um(increments: Floats, increment_mm: Floats) -> Floats:
    """Increments in micrometres, to the last bit what the difference of two printed values is."""
    return np.rint(increments * increment_mm * DECIMALS) / DECIMALS * UM_PER_MM
