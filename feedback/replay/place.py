"""Where a setting of the limits stands in the past of a register. Pure."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Place:
    """Lanes (registers or features), each under one setting and at one row; flat, of one length.

    `cell` finds a lane under its setting in a table of lanes by settings, `column` a lane's row in one of rows by
    lanes; both of flattened tables, which numpy looks up several times faster than by two indices.
    """

    row: Counts
    lane: Counts
    cell: Counts
    column: Counts

    def __getitem__(self, which: Counts | Flags) -> "Place":
        return Place(self.row[which], self.lane[which], self.cell[which], self.column[which])

    def __len__(self) -> int:
        return len(self.row)

    def on(self, rows: Counts, lanes: int) -> "Place":
        """The same so many rows on, in tables of so many lanes."""
        return Place(self.row + rows, self.lane, self.cell, self.column + rows * lanes)
