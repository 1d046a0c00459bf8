"""The lowest and the highest of any run of rows, found without going through it. Pure.

The usual table of powers of two: the extremes of every run of 1, 2, 4, ... rows are kept, and any run is covered by two
of them. What is no number is passed over.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]


class Extremes:
    """Of the columns of a table (T x C); runs may be up to `longest` rows long."""

    def __init__(self, table: Floats, longest: int) -> None:
        by_column = np.ascontiguousarray(table.T)
        self.rows, self.size = len(table), table.size
        self.each = by_column.ravel()  # the rows of one column after another
        self.lowest, self.highest = (_powers(by_column, longest, of) for of in (np.fmin, np.fmax))

    def over(self, column: Counts, row: Counts, length: Counts) -> tuple[Floats, Floats]:
        """The lowest and highest of runs of so many rows (at least one) from `row` on; nan where none is a number."""
        level = np.frexp(length)[1] - 1  # the longest power of two that fits
        begin = level * self.size + column * self.rows + row
        last = begin + length - (1 << level.astype(np.int64))
        lowest = np.fmin(self.lowest[begin], self.lowest[last])
        return lowest, np.fmax(self.highest[begin], self.highest[last])


def _powers(by_column: Floats, longest: int, of: np.ufunc) -> Floats:
    """The extremes of the 1, 2, 4, ... rows from each on, one level after another, flat."""
    levels, step = [by_column], 1
    while 2 * step <= longest:
        wider = levels[-1].copy()
        wider[:, :-step] = of(wider[:, :-step], levels[-1][:, step:])
        levels.append(wider)
        step *= 2
    return np.stack(levels).ravel()
