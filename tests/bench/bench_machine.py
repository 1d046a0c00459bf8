"""The machine of a scenario twice: as it is, and as trueup is told of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from feedback.configuration.facts import Feature, Group, Machine
from feedback.configuration.groups import groups
from feedback.configuration.loading import from_texts
from feedback.follow import UM_PER_MM
from feedback.simulate.errors import SimulatedErrors, simulate_errors
from feedback.simulate.scenario import Scenario
from feedback.simulate.writer import cell_texts
from tests.bench.score import Score, score

Floats = NDArray[np.float64]
SETTLED_AFTER = 25  # parts of an edge: by then everybody has had his first corrections in, long lags included


@dataclass(frozen=True)
class BenchMachine:
    """The first machine of a scenario."""

    scenario: Scenario

    @cached_property
    def machine(self) -> Machine:
        return self._told[0]

    @cached_property
    def groups(self) -> tuple[Group, ...]:
        """The coupling groups that have a register."""
        return self._told[1]

    @cached_property
    def _told(self) -> tuple[Machine, tuple[Group, ...]]:
        name = self.scenario.setup().name
        configuration = from_texts(Path("cell"), cell_texts(self.scenario))
        found = groups(configuration, name)
        return configuration.machines[name], tuple(group for group in found if group.registers)

    @property
    def delay(self) -> int:
        """Parts between the one a correction is decided on and the first one cut with it, not counting either."""
        return self.scenario.setup().lag + self.scenario.operator.accepts_after

    @cached_property
    def features(self) -> tuple[Feature, ...]:
        """In the order of the arrays' columns."""
        by_key = {feature.key: feature for group in self.groups for feature in group.features}
        return tuple(by_key[key] for key in self.scenario.setup().keys)

    @cached_property
    def centre_um(self) -> Floats:
        return np.array([float(f.lower + f.upper) * UM_PER_MM / 2 for f in self.features])

    @cached_property
    def half_um(self) -> Floats:
        return np.array([float(f.upper - f.lower) * UM_PER_MM / 2 for f in self.features])

    @cached_property
    def is_cut(self) -> NDArray[np.bool_]:
        """The features a tool cuts: what parts are judged by. A raw datum is as good as the casting."""
        return np.array([cut.tool is not None for _, cut in self.scenario.setup().features])

    def band_um(self, share: float) -> Floats:
        """(registers,): share x half tolerance / |S| of the tightest feature, in register micrometres."""
        with np.errstate(divide="ignore"):
            room = self.half_um / np.abs(self.moves)
        return np.asarray(share * np.min(room, axis=1), dtype=np.float64)

    @cached_property
    def moves(self) -> Floats:
        """(registers, features): the readings' change for +1."""
        return self.errors(1, [0]).moves

    def errors(self, parts: int, seeds: Sequence[int]) -> SimulatedErrors:
        return simulate_errors(self.scenario, parts, seeds)

    def score(self, errors: SimulatedErrors, held_um: Floats, corrections: int, false_alarms: int = 0) -> Score:
        """How the parts came out with `held_um` (seeds, parts, registers) in the registers beside what was there."""
        made = errors.made_um + held_um @ errors.made_moves - self.centre_um
        is_new_edge: NDArray[np.bool_] = np.any(errors.is_zeroed, axis=(0, 2))
        settled = _settled(is_new_edge)
        return score(made[..., self.is_cut], self.half_um[self.is_cut], settled, corrections, false_alarms)


def _settled(is_new_edge: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(parts,): no edge, the first ones included, has been changed within the last parts."""
    starts = np.flatnonzero(is_new_edge | (np.arange(len(is_new_edge)) == 0))
    since = np.arange(len(is_new_edge)) - starts[np.searchsorted(starts, np.arange(len(is_new_edge)), "right") - 1]
    return np.asarray(since >= SETTLED_AFTER, dtype=np.bool_)
