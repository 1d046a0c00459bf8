"""The funnel experiment on a machine with nothing but noise: every correction of noise makes it worse.

Rules as in Deming, Out of the Crisis, ch. 11. With noise of variance 1 the results have variance 1 under rule 1 (leave
it alone), 2 under rule 2 (from where it stands, move back by the last miss; lag-1 autocorrelation -1/2), and t at drop
t under rules 3 (from the target, move back by the last miss) and 4 (aim at the last hit). Recomputed.
"""

from collections.abc import Callable

import numpy as np
import pytest

from feedback.simulate.machine import SimulatedMachine
from tests.simulate.bench import only_noise

SD_UM = 100.0  # against steps of 1 um: rounding adds a hundred-thousandth to the variance
TOOLS = 40

Rule = Callable[[float, float], float]  # what the register holds and what the drop read -> what to enter, um
RULES: dict[int, Rule] = {
    1: lambda held, _miss: held,
    2: lambda held, miss: held - miss,
    3: lambda _held, miss: -miss,
    4: lambda _held, miss: miss,
}


def drops(rule: int, parts: int, seed: int) -> np.ndarray:
    """(parts, tools): where each drop fell, in standard deviations."""
    setup = only_noise(SD_UM, TOOLS)
    machine = SimulatedMachine(setup, seed)
    fell = []
    for _ in range(parts):
        part = machine.cut()
        fell.append(part.read_um / SD_UM)
        if rule > 1:
            held = part.held_um[1 : 2 * TOOLS : 2]  # of every tool its length, which follows its radius
            for tool, (now, miss) in enumerate(zip(held.tolist(), part.read_um.tolist(), strict=True), start=1):
                machine.enter_mm(f"tool {tool} length", round(RULES[rule](now, miss)) / 1000)
    return np.array(fell)


def variances(rule: int) -> np.ndarray:
    """Variance of the first eight drops over 50 machines of 40 tools: standard error 3.2 %, the root of 2 / 2000."""
    fell = np.concatenate([drops(rule, 8, seed) for seed in range(50)], axis=1)
    return np.asarray(np.var(fell, axis=1))


@pytest.mark.parametrize(
    ("rule", "wanted"),
    [(1, [1] * 8), (2, [1, 2, 2, 2, 2, 2, 2, 2]), (3, range(1, 9)), (4, range(1, 9))],
    ids=["rule 1", "rule 2", "rule 3", "rule 4"],
)
def test_variance_under_each_rule(rule: int, wanted: list[int]) -> None:
    """Left alone the machine scatters least; corrected by its last miss it doubles its variance, or runs away."""
    assert variances(rule) == pytest.approx(np.array(wanted, dtype=float), rel=0.13)  # four standard errors


@pytest.mark.parametrize(("rule", "wanted"), [(1, 0.0), (2, -0.5)])
def test_neighbours_under_rule_two(rule: int, wanted: float) -> None:
    """A machine corrected in full after every part swings: each error has half of the last one in it, turned around."""
    fell = drops(rule, 250, seed=7)[1:]
    correlation = np.corrcoef(fell[:-1].ravel(), fell[1:].ravel())[0, 1]
    assert correlation == pytest.approx(wanted, abs=4 / np.sqrt(fell[1:].size))
