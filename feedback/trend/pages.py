"""The sheet that outlooks are written on while rows are taken."""

import numpy as np

from feedback.trend.outlooks import Outlooks
from feedback.trend.shape import States


class Page:
    """Room for the outlooks of n parts, filled in from the first to the last."""

    def __init__(self, states: States, rows: int) -> None:
        self._states = states
        features, registers, count = states.features, states.registers, states.count
        self.mean = np.zeros((rows, count))
        self.cov = np.zeros((rows, count, count))
        self.walk_var = np.zeros((rows, count))
        self.noise_var = np.zeros((rows, features))
        self.wild = np.zeros((rows, features), dtype=np.bool_)
        self.parts = np.zeros((rows, registers), dtype=np.int64)
        self.jumped = np.zeros((rows, registers), dtype=np.bool_)
        self.jump_age = np.full((rows, registers), -1, dtype=np.int64)
        self.jump_um = np.full((rows, registers), np.nan)
        self.apart_age = np.full((rows, registers), -1, dtype=np.int64)
        self.unsettled = np.zeros((rows, registers), dtype=np.bool_)
        self.moving: list[str | None] = [None] * rows
        self.fit_failed: list[str | None] = [None] * rows

    def outlooks(self) -> Outlooks:
        return Outlooks(
            states=self._states,
            mean=self.mean,
            cov=self.cov,
            walk_var=self.walk_var,
            noise_var=self.noise_var,
            wild=self.wild,
            parts=self.parts,
            jumped=self.jumped,
            jump_age=self.jump_age,
            jump_um=self.jump_um,
            apart_age=self.apart_age,
            unsettled=self.unsettled,
            moving=self.moving,
            fit_failed=self.fit_failed,
        )
