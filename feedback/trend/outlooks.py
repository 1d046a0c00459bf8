"""What is known after each part, and what that says about a part some way ahead. Arrays, one entry per part."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedback.trend.shape import States
from feedback.trend.statespace import Array, Flags

Counts = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Prediction:
    """Expected deviations from the centre of the tolerance, um (millidegrees), with their standard deviations.

    The spreads are those of the true deviation, walks up to the horizon included; a reading adds its own noise.
    """

    total_um: Array  # n x F
    total_sd_um: Array
    own_um: Array  # n x F x R: what one register and the feature's own offset answer for; nan where it moves nothing
    own_sd_um: Array
    level_um: Array  # n x R: the register's error
    level_sd_um: Array
    slope_um: Array  # n x R, 0 where the register has no slope
    slope_sd_um: Array


@dataclass(frozen=True)
class Outlooks:
    """n parts; entry k uses parts up to k only. Slicing gives the outlooks of fewer parts."""

    states: States
    mean: Array  # n x K filtered states
    cov: Array  # n x K x K
    walk_var: Array  # n x K, in force at that part
    noise_var: Array  # n x F, likewise
    wild: Flags  # n x F: the reading was left out
    parts: Counts  # n x R: parts behind the register's estimate since set-up, new tool or sudden change
    jumped: Flags  # n x R: a sudden change was recognised at this part
    jump_age: Counts  # n x R: parts with a reading of it after the first that showed the latest sudden change; -1: none
    jump_um: Array  # n x R: size of that change of the register's error; nan: none
    apart_age: Counts  # n x R: likewise after features of it were recognised to have moved apart; -1: never
    unsettled: Flags  # n x R: registers that the words in `moving` are about
    moving: Sequence[str | None]
    fit_failed: Sequence[str | None]

    def __len__(self) -> int:
        return len(self.moving)

    def __getitem__(self, rows: slice) -> "Outlooks":
        return self._of(rows, self.moving[rows], self.fit_failed[rows])

    def at(self, rows: Counts) -> "Outlooks":
        """The outlooks of the parts with these indexes."""
        places = rows.tolist()
        return self._of(rows, [self.moving[at] for at in places], [self.fit_failed[at] for at in places])

    def _of(self, rows: slice | Counts, moving: Sequence[str | None], fit_failed: Sequence[str | None]) -> "Outlooks":
        return Outlooks(
            states=self.states,
            mean=self.mean[rows],
            cov=self.cov[rows],
            walk_var=self.walk_var[rows],
            noise_var=self.noise_var[rows],
            wild=self.wild[rows],
            parts=self.parts[rows],
            jumped=self.jumped[rows],
            jump_age=self.jump_age[rows],
            jump_um=self.jump_um[rows],
            apart_age=self.apart_age[rows],
            unsettled=self.unsettled[rows],
            moving=moving,
            fit_failed=fit_failed,
        )

    def predict(self, horizon: int) -> Prediction:
        """What the part `horizon` parts later is expected to read if nothing is changed; 0 is the part itself."""
        states, registers = self.states, self.states.registers
        mean, cov = self._ahead(horizon)
        level, own = mean[:, :registers], states.design[:, registers:]
        variance = np.einsum("fk,nkl,fl->nf", states.design, cov, states.design, optimize=True)
        own_mean = states.sensitivity[None] * level[:, None, :] + (mean[:, registers:] @ own.T)[:, :, None]
        slope_um, slope_sd_um = self._slopes(mean, cov)
        return Prediction(
            total_um=mean @ states.design.T,
            total_sd_um=_root(variance),
            own_um=np.where(states.moves, own_mean, np.nan),
            own_sd_um=np.where(states.moves, self._own_sd(cov), np.nan),
            level_um=level,
            level_sd_um=_root(np.einsum("nrr->nr", cov)[:, :registers]),
            slope_um=slope_um,
            slope_sd_um=slope_sd_um,
        )

    def _ahead(self, horizon: int) -> tuple[Array, Array]:
        transition = self.states.transition
        mean, cov = self.mean, self.cov
        for _ in range(horizon):
            mean = mean @ transition.T
            cov = transition @ cov @ transition.T
            np.einsum("nkk->nk", cov)[...] += self.walk_var
        return mean, cov

    def _own_sd(self, cov: Array) -> Array:
        states = self.states
        var = states.sensitivity[None] ** 2 * np.einsum("nkk->nk", cov)[:, None, : states.registers]
        for feature, index in enumerate(states.own):
            if index is not None:
                shared = cov[:, : states.registers, index]
                var[:, feature] += cov[:, index, index, None] + 2 * states.sensitivity[feature] * shared
        return _root(var)

    def _slopes(self, mean: Array, cov: Array) -> tuple[Array, Array]:
        slope_um = np.zeros((len(mean), self.states.registers))
        slope_sd_um = np.zeros_like(slope_um)
        for register, index in enumerate(self.states.slope):
            if index is not None:
                slope_um[:, register] = mean[:, index]
                slope_sd_um[:, register] = _root(cov[:, index, index])
        return slope_um, slope_sd_um


def _root(variance: Array) -> Array:
    root: Array = np.sqrt(np.maximum(variance, 0.0))  # rounding may leave a variance a hair below nothing
    return root
