"""How registers are corrected by hand: the rules every shop knows.

A setter reads a register's error off the features that only it moves among the registers of its kind, and does not
correct again before a part cut with his last entry has been read. None of the rules knows noise from wear.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.bench.bench_machine import BenchMachine

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def own_features(bench: BenchMachine) -> Floats:
    """(features, registers): what turns deviations into each register's error.

    That is the mean of deviation / S over its own features. A tool's own features are moved by no other tool, a part
    zero's by no tool.
    """
    moves, names = bench.moves, bench.scenario.setup().registers
    is_tool = np.array([name.startswith("tool") for name in names])
    tools_moving = (moves[is_tool] != 0).sum(axis=0)
    own = (moves != 0) & np.where(is_tool[:, None], tools_moving[None] == 1, tools_moving[None] == 0)
    gain = np.divide(1.0, moves, out=np.zeros_like(moves), where=own)
    return np.asarray((gain / np.maximum(1, own.sum(axis=1))[:, None]).T, dtype=np.float64)


@dataclass
class LastPart:
    """Full correction of the last part; with `beyond_um` (features) only where one feature is further off than that."""

    own: Floats
    beyond_um: Floats | None = None

    def wish_um(self, part: int, off_um: Floats, held_um: Floats) -> Floats:  # noqa: ARG002
        wish = -off_um @ self.own
        if self.beyond_um is None:
            return wish
        is_off = (np.abs(off_um) > self.beyond_um).astype(np.int64) @ (self.own != 0).astype(np.int64) > 0
        return np.where(is_off, wish, 0.0)

    def entered(self, moved_um: Floats) -> None:
        """Remembers nothing."""

    def renewed(self, fresh: Flags) -> None:
        """Remembers nothing."""


@dataclass
class MeanOfThree:
    """Full correction of the mean of three parts, all cut with the last entry."""

    own: Floats
    _sum: Floats = field(init=False)
    _parts: NDArray[np.int64] = field(init=False)

    def start(self, seeds: int) -> "MeanOfThree":
        self._sum = np.zeros((seeds, self.own.shape[1]))
        self._parts = np.zeros(self._sum.shape, dtype=np.int64)
        return self

    def wish_um(self, part: int, off_um: Floats, held_um: Floats) -> Floats:  # noqa: ARG002
        self._sum, self._parts = self._sum + off_um @ self.own, self._parts + 1
        wish = np.where(self._parts == 3, -self._sum / 3, 0.0)
        self._forget(self._parts == 3)
        return wish

    def entered(self, moved_um: Floats) -> None:
        self._forget(moved_um != 0.0)

    def renewed(self, fresh: Flags) -> None:
        self._forget(fresh)

    def _forget(self, where: Flags) -> None:
        self._sum, self._parts = np.where(where, 0.0, self._sum), np.where(where, 0, self._parts)


@dataclass
class Ewma:
    """Full correction of an exponentially weighted mean that knows its own entries."""

    own: Floats
    weight: float
    _mean: Floats = field(init=False)

    def start(self, seeds: int) -> "Ewma":
        self._mean = np.zeros((seeds, self.own.shape[1]))
        return self

    def wish_um(self, part: int, off_um: Floats, held_um: Floats) -> Floats:  # noqa: ARG002
        self._mean = self._mean + self.weight * (off_um @ self.own - self._mean)
        return -self._mean

    def entered(self, moved_um: Floats) -> None:
        self._mean = self._mean + moved_um

    def renewed(self, fresh: Flags) -> None:
        self._mean = np.where(fresh, 0.0, self._mean)
