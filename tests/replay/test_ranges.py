"""The extremes of runs of readings, against going through them one by one."""

import numpy as np

from feedback.replay.ranges import Extremes

LONGEST = 32


def test_the_extremes_of_any_run_are_those_found_by_looking_at_every_reading() -> None:
    """However long the run, wherever it lies, and though readings are missing: numpy's own minimum and maximum."""
    rng = np.random.default_rng(5)
    table = rng.normal(0, 10, (200, 3))
    table[rng.random(table.shape) < 0.3] = np.nan
    known = Extremes(table, LONGEST)
    column, length = rng.integers(0, 3, 4000), rng.integers(1, LONGEST + 1, 4000)
    row = rng.integers(0, len(table) - length + 1)
    lowest, highest = known.over(column, row, length)
    runs = [table[r : r + n, c] for c, r, n in zip(column, row, length, strict=True)]
    read = [run[~np.isnan(run)] for run in runs]
    assert any(not len(run) for run in read)
    assert np.array_equal(lowest, [run.min() if len(run) else np.nan for run in read], equal_nan=True)
    assert np.array_equal(highest, [run.max() if len(run) else np.nan for run in read], equal_nan=True)
