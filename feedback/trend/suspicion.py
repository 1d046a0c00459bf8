"""Which readings are too far from what was expected to be believed, and when the next part proves them right.

One wild reading is a chip, a coolant drop, a burr. Two parts running that agree with each other and not with
what was expected are a sudden change that began with the first of them.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from feedback.trend.statespace import Array, Flags

WILD_SD = 4.0  # of the predictive distribution: one good reading in 16 000 is left out by mistake
CONFIRM_SD = 3.0  # enough for the second of two that agree: chip and next good reading both this far: 1 in 700 chips
AGREE_SD = 4.0  # two readings further apart than this do not speak for the same sudden change


@dataclass(frozen=True, slots=True)
class Suspect:
    """A reading that was left out and waits for the next part to confirm or clear it."""

    row: int  # counted from the group's first part
    part: str
    off: float  # how far it read from what was expected
    sd: float


@dataclass(frozen=True, slots=True)
class Judgement:
    """Per feature: how far off, on which scale, and whether that is too far."""

    off: Array  # F, nan: not read
    sd: Array
    wild: Flags

    def confirms(self, feature: int, suspect: Suspect) -> bool:
        """This wild reading and the suspect one tell of the same sudden change."""
        off, sd = float(self.off[feature]), float(self.sd[feature])
        same_side = math.copysign(1, off) == math.copysign(1, suspect.off)
        return same_side and abs(off - suspect.off) <= AGREE_SD * math.hypot(sd, suspect.sd)


def judged(innovation: Array, cov: Array, suspects: Mapping[int, Suspect], *, young: bool) -> Judgement:
    """Judge one part's readings by their innovations (F um, nan: not read) and the innovations' covariance (F x F).

    While a register's level is hardly known (`young`), no reading is far from the wide prediction; then each is also
    held against the other readings of the same part.
    """
    off, sd = innovation.copy(), np.sqrt(np.diag(cov))
    limit = np.array([_limit(innovation[f], suspects.get(f)) for f in range(off.size)])
    wild = np.abs(off) > limit * sd
    if young:
        _hold_against_neighbours(off, sd, wild, cov, suspects)
    return Judgement(off, sd, wild)


def _limit(off: float, suspect: Suspect | None) -> float:
    if suspect is None or math.copysign(1, off) != math.copysign(1, suspect.off):
        return WILD_SD
    return CONFIRM_SD


def _hold_against_neighbours(off: Array, sd: Array, wild: Flags, cov: Array, suspects: Mapping[int, Suspect]) -> None:
    """Mark the readings that the others of the part contradict, worst first.

    Two readings that contradict each other, with no third to decide, are both left out.
    """
    innovation = off.copy()
    while True:
        kept = np.flatnonzero(~np.isnan(innovation) & ~wild)
        if kept.size < 2:
            return
        precision = np.linalg.inv(cov[np.ix_(kept, kept)])
        left_sd = 1 / np.sqrt(np.diag(precision))
        left = (precision @ innovation[kept]) * left_sd**2
        limits = np.array([_limit(value, suspects.get(int(f))) for f, value in zip(kept, left, strict=True)])
        excess = np.abs(left) / left_sd / limits
        worst = np.flatnonzero(excess > 1) if kept.size == 2 else [int(np.argmax(excess))]
        if not len(worst) or excess[worst[0]] <= 1:
            return
        for k in worst:
            feature = kept[k]
            wild[feature], off[feature], sd[feature] = True, left[k], left_sd[k]
