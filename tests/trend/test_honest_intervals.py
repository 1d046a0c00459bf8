"""Where the truth is known, intervals hold it as often as they say, from the third part on."""

import numpy as np
import pytest

from feedback.trend.tracker import GroupShape, Priors, Tracker
from tests.trend.shop import BORE, TOOL_AND_WORK, Wear, worn

SEEDS = 200
PARTS = 8
TWO_SIDED_95 = 1.959964


def _hits(shape: GroupShape, spread: float) -> tuple[np.ndarray, np.ndarray]:
    """Was the truth inside the 95 % interval? Of the part itself (from part 3) and of the part after it."""
    now: list[np.ndarray] = []
    next_part: list[np.ndarray] = []
    for seed in range(SEEDS):
        wear: Wear = worn(shape, PARTS, seed, spread=spread)
        outlooks = Tracker(shape, Priors()).take(wear.rows)
        for horizon, hits in ((0, now), (1, next_part)):
            prediction = outlooks.predict(horizon)
            truth = wear.deviation_um[2 + horizon :]
            known = slice(2, PARTS - horizon)
            off = np.abs(truth - prediction.total_um[known])
            hits.append(off < TWO_SIDED_95 * prediction.total_sd_um[known])
    return np.array(now), np.array(next_part)


@pytest.mark.parametrize("shape", [BORE, TOOL_AND_WORK], ids=["bore", "tool and work"])
def test_95_percent_intervals_hold_the_truth(shape: GroupShape) -> None:
    """200 shops as the priors expect them: every part from the third on, coverage lies between 90 and 99 %."""
    now, next_part = _hits(shape, spread=0.0)

    assert 0.92 <= now.mean() <= 0.98
    assert 0.92 <= next_part.mean() <= 0.98
    # one part's share of 200 seeds has a standard error of 1.5 %
    assert ((now.mean(axis=(0, 2)) >= 0.90) & (now.mean(axis=(0, 2)) <= 0.99)).all()


def test_95_percent_intervals_hold_the_truth_in_shops_unlike_the_priors() -> None:
    """Noise and walks drawn as far from the priors as the priors allow for: 90 to 99 % all the same."""
    now, next_part = _hits(TOOL_AND_WORK, spread=1.0)

    assert 0.90 <= now.mean() <= 0.99
    assert 0.90 <= next_part.mean() <= 0.99
