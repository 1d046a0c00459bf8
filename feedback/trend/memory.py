"""The parts a group still remembers: enough to fit again and to go back to where a sudden change began."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from feedback.trend.follow import Position, Sheet
from feedback.trend.shape import Row, States
from feedback.trend.statespace import Array, Belief, Flags


def sheet_of(states: States, rows: "list[Row] | tuple[Row, ...]") -> Sheet:
    """Rows as columns; the only shocks are what is known of new tools."""
    count = len(rows)
    shock = np.zeros((count, states.count))
    for k, row in enumerate(rows):
        if row.edge_var:
            shock[k, : states.registers] = row.edge_var
    return Sheet(
        parts=[row.part for row in rows],
        readings=np.array([row.readings for row in rows], dtype=np.float64).reshape(count, states.features),
        moved=np.array([row.moved for row in rows], dtype=np.float64).reshape(count, states.registers),
        fresh=np.array([row.fresh for row in rows], dtype=np.bool_).reshape(count, states.registers),
        shock=shock,
    )


@dataclass
class Memory:
    """The last parts as they were read, what was left out of them, and where the group stood before the first."""

    first: int  # number of parts before the remembered ones
    start: Position
    sheet: Sheet  # all readings as they came
    left_out: Flags  # n x F: not believed, the filter sees a gap
    strange: Flags  # n x F: was wild at first sight, believed later or not

    def __len__(self) -> int:
        return len(self.sheet)

    @property
    def end(self) -> int:
        """Number of the part after the last remembered one, counted from the group's first."""
        return self.first + len(self)

    def append(self, sheet: Sheet, left_out: Flags, strange: Flags) -> None:
        ours = self.sheet
        self.sheet = Sheet(
            ours.parts + sheet.parts,
            np.concatenate([ours.readings, sheet.readings]),
            np.concatenate([ours.moved, sheet.moved]),
            np.concatenate([ours.fresh, sheet.fresh]),
            np.concatenate([ours.shock, sheet.shock]),
        )
        self.left_out = np.concatenate([self.left_out, left_out])
        self.strange = np.concatenate([self.strange, strange])

    def believed(self) -> Sheet:
        """The remembered parts with gaps where readings were left out."""
        return with_gaps(self.sheet, self.left_out)

    def forget_before(self, row: int, start: Position) -> None:
        """Keep remembered rows from index `row` on; `start` is where the group stood before it."""
        self.first += row
        self.start = start
        self.sheet = self.sheet[row:]
        self.left_out, self.strange = self.left_out[row:], self.strange[row:]

    def to_json(self) -> dict[str, Any]:
        sheet = self.sheet
        return {
            "first": self.first,
            "start": position_to_json(self.start),
            "parts": list(sheet.parts),
            "readings": [[None if math.isnan(value) else value for value in row] for row in sheet.readings.tolist()],
            "moved": _sparse(sheet.moved),
            "fresh": _sparse(sheet.fresh),
            "shock": _sparse(sheet.shock),
            "left_out": _sparse(self.left_out),
            "strange": _sparse(self.strange),
        }

    @staticmethod
    def from_json(states: States, kept: Mapping[str, Any]) -> "Memory":
        count = len(kept["parts"])
        readings = [[math.nan if value is None else value for value in row] for row in kept["readings"]]
        return Memory(
            first=kept["first"],
            start=position_from_json(kept["start"]),
            sheet=Sheet(
                parts=list(kept["parts"]),
                readings=np.array(readings, dtype=np.float64).reshape(count, states.features),
                moved=_dense(kept["moved"], count, states.registers),
                fresh=_dense(kept["fresh"], count, states.registers) != 0,
                shock=_dense(kept["shock"], count, states.count),
            ),
            left_out=_dense(kept["left_out"], count, states.features) != 0,
            strange=_dense(kept["strange"], count, states.features) != 0,
        )


def with_gaps(sheet: Sheet, left_out: Flags) -> Sheet:
    """`sheet` with nan where a reading is left out."""
    if not left_out.any():
        return sheet
    readings = np.where(left_out, np.nan, sheet.readings)
    return Sheet(sheet.parts, readings, sheet.moved, sheet.fresh, sheet.shock)


def new_memory(states: States, start: Position) -> Memory:
    """Before the first part."""
    nothing = np.zeros((0, states.features), dtype=np.bool_)
    return Memory(0, start, sheet_of(states, []), nothing, nothing)


def position_to_json(position: Position) -> dict[str, Any]:
    return {
        "mean": position.belief.mean.tolist(),
        "cov": position.belief.cov.tolist(),
        "known": position.known.tolist(),
    }


def position_from_json(kept: Mapping[str, Any]) -> Position:
    return Position(Belief(np.array(kept["mean"]), np.array(kept["cov"])), np.array(kept["known"]))


def _sparse(table: Array | Flags) -> list[list[float]]:
    """Row, column and value of everything that is not zero: almost all is."""
    rows, columns = np.nonzero(table)
    return [[int(r), int(c), float(table[r, c])] for r, c in zip(rows, columns, strict=True)]


def _dense(entries: list[list[float]], rows: int, columns: int) -> Array:
    table = np.zeros((rows, columns))
    for row, column, value in entries:
        table[int(row), int(column)] = value
    return table
