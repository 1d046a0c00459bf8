"""Which readings are too far from what was expected to be believed, and when the next part proves them right.

One wild reading is a chip, a coolant drop, a burr. Two parts running that agree with each other and not with
what was expected are a sudden change that began with the first of them.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from feedback.trend.joint import Looks, Signatures, Signs
from feedback.trend.memory import Memory
from feedback.trend.statespace import Array, Flags

WILD_SD = 4.0  # of the predictive distribution: one good reading in 16 000 is left out by mistake
CONFIRM_SD = 3.0  # enough for the second of two that agree: chip and next good reading both this far: 1 in 700 chips
SHARE_SD = 1.0  # of readings seen together, those hardly off are no part of it
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


def judged(
    innovation: Array, cov: Array, suspects: Mapping[int, Suspect], signatures: Signatures | None = None
) -> Judgement:
    """Judge one part's readings by their innovations (F um, nan: not read) and the innovations' covariance (F x F).

    With `signatures` the readings are first seen together. Without, a register's level is hardly known yet, and no
    reading is far from the wide prediction: then each is also held against the other readings of the same part.
    """
    off, sd = innovation.copy(), np.sqrt(np.diag(cov))
    wild = np.zeros(off.size, dtype=np.bool_)
    if signatures is not None:
        _see_together(innovation, cov, signatures, wild)
    limit = np.array([_limit(innovation[f], suspects.get(f)) for f in range(off.size)])
    wild |= np.abs(off) > limit * sd
    if signatures is None:
        _hold_against_neighbours(off, sd, wild, cov, suspects)
    return Judgement(off, sd, wild)


def _see_together(innovation: Array, cov: Array, signatures: Signatures, wild: Flags) -> None:
    """Mark the readings that tell together of what no good part shows, the clearest signature first."""
    sd = np.sqrt(np.diag(cov))
    while True:
        kept = np.flatnonzero(~np.isnan(innovation) & ~wild)
        if not kept.size:
            return
        off, ways = innovation[kept], signatures.table[:, kept]
        pull = ways @ np.linalg.inv(cov[np.ix_(kept, kept)])
        weighed = np.einsum("jf,jf->j", pull, ways)
        found = np.where(weighed > 0, pull @ off, 0.0) / np.sqrt(np.where(weighed > 0, weighed, 1.0))
        best = signatures.clearest(found)
        if best is None:
            return
        wild[kept[_sharing(ways[best] * found[best], off, sd[kept])]] = True


def _sharing(way: Array, off: Array, sd: Array) -> Flags:
    """Those of the readings that a change `way` should have moved which it clearly has; all of them if none clearly."""
    clearly: Flags = np.sign(way) * off > SHARE_SD * sd
    return clearly if clearly.any() else way != 0


@dataclass(frozen=True, slots=True)
class Lasting:
    """Two or three parts running that tell together of a change which stays."""

    back: int  # parts since the first that shows it
    off: Array  # F, 0: not part of it
    sd: Array

    def suspects(self, memory: Memory) -> dict[int, Suspect]:
        """The readings of the first of them, as if they had waited."""
        row, part = memory.end - self.back, memory.sheet.parts[-self.back]
        return {int(f): Suspect(row, part, float(self.off[f]), float(self.sd[f])) for f in np.flatnonzero(self.off)}


def lasting(signatures: Signatures, told: Signs, looks: Looks) -> Lasting | None:
    """The clearest change that the newest of `looks` and those before it tell of, if any."""
    clear = np.where(told.lasting()[-1], np.abs(told.stays[-1]), 0.0)
    back, best = (int(at) for at in np.unravel_index(np.argmax(clear), clear.shape))
    if not clear[back, best]:
        return None
    off = told.size[-1, back, best] * signatures.table[best]
    weight = np.einsum("nff->nf", looks.weight[-1 - back :])
    read = (weight > 0).sum(axis=0)
    sd = np.divide(1, np.sqrt(weight.max(axis=0)), where=read > 0, out=np.full(off.size, np.inf))
    summed = looks.off[-1 - back :].sum(axis=0)
    share = _sharing(np.where(read > 0, off, 0.0), summed, np.sqrt(np.maximum(read, 1)) * sd)
    return Lasting(back, np.where(share, off, 0.0), sd)


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
