"""The newest parts of one coupling group, held against what was believed of them before the first was cut. Pure.

The belief is frozen `SPAN` parts of the machine ago (or where the newest tool or edge of the group began) and carried
forward as if nothing but the known register moves, the wear and the walks it already knew had happened. What the
readings show beyond that has a cause. To keep the sums small, older parts count in bins.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedback.configuration.facts import Group
from feedback.follow import UM_PER_MM, Moment, Progress

if TYPE_CHECKING:
    from feedback.trend.outlooks import Outlooks

Array = NDArray[np.float64]
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]

SPAN = 20  # parts of the machine looked back on: a drift of one reading's scatter each five parts shows clearly in them
BIN_OF_AGE = np.repeat(np.arange(8), (1, 1, 1, 1, 3, 3, 5, 5))  # the newest parts stand for themselves
BINS = int(BIN_OF_AGE[-1]) + 1
MOST_PASSED = 100  # as the trend counts them
NEWS = 10  # parts after which a sudden change is simply where the register now stands
KEPT = SPAN + NEWS + 2  # parts of a group that are remembered beyond a run
UNREAD_VAR = 1e12  # of a bin without a reading: it then tells nothing


class Place(NamedTuple):
    """A part's place in the machine's own order."""

    at_us: int
    part_id: int


class Residue(NamedTuple):
    """What one group's readings show beyond what was expected: B bins of F features, and the covariance of both."""

    off: Array  # F x B, um
    cov: Array  # F x B x F x B
    ages: Array  # B x SPAN: the share of each age (0: the newest part) in each bin
    entries: tuple[tuple[int, int, float], ...]  # register, age of the first part after its change, change in um


@dataclass
class _Rows:
    """n parts of a group, oldest first; known register moves are taken out of readings and levels alike."""

    places: list[Place]
    readings: Array  # n x F deviations from the centre of the tolerance, nan: not read; wild ones too
    mean: Array  # n x K
    cov: Array  # n x K x K
    walk_var: Array  # n x K
    noise_var: Array  # n x F
    travel_um: Array  # n x R
    is_born: Flags  # n: the first part of a new tool or edge of the group
    elapsed: Counts  # n: parts since the row before, those without a reading among them

    def __len__(self) -> int:
        return len(self.places)

    def after(self, older: "_Rows | None") -> "_Rows":
        if older is None:
            return self
        joined = {name: np.concatenate([getattr(older, name), getattr(self, name)]) for name in _COLUMNS}
        return _Rows(places=older.places + self.places, **joined)

    def last(self, count: int) -> "_Rows":
        """The newest `count` rows, copied: a slice would keep the whole run in memory."""
        keep = slice(max(0, len(self) - count), None)
        return _Rows(places=self.places[keep], **{name: getattr(self, name)[keep].copy() for name in _COLUMNS})


_COLUMNS = ("readings", "mean", "cov", "walk_var", "noise_var", "travel_um", "is_born", "elapsed")


@dataclass
class Stretch:
    """The remembered parts of one group."""

    group: Group
    sensitivity: Array = field(init=False)  # F x R
    _rows: _Rows | None = None
    _design: Array | None = None
    _transition: Array | None = None

    def __post_init__(self) -> None:
        group = self.group
        table = [[float(feature.moves.get(register, 0)) for register in group.registers] for feature in group.features]
        self.sensitivity = np.array(table).reshape(len(group.features), len(group.registers))
        self._centres = np.array([float(f.lower + f.upper) * UM_PER_MM / 2 for f in group.features])

    @property
    def places(self) -> list[Place]:
        return [] if self._rows is None else self._rows.places

    def forget(self) -> None:
        """The group is followed anew."""
        self._rows = None

    def add(self, progress: Progress) -> None:
        """Take the parts of one run."""
        outlooks = progress.outlooks
        if outlooks is None:
            return
        self._design, self._transition = outlooks.states.design, outlooks.states.transition
        self._rows = self._rows_of(progress.moments, outlooks).after(self._rows)

    def trim(self) -> None:
        """Forget what no later part looks back on."""
        if self._rows is not None:
            self._rows = self._rows.last(KEPT)

    def _rows_of(self, moments: Sequence[Moment], outlooks: "Outlooks") -> _Rows:
        keys = [feature.key for feature in self.group.features]
        registers = self.group.registers
        travel = np.array([[moment.tracks[one].travel_um for one in registers] for moment in moments])
        born = [any(moment.tracks[one].parts_since_new_tool == 1 for one in registers) for moment in moments]
        read = np.array([[moment.seen.deviations.get(key, np.nan) for key in keys] for moment in moments])
        mean = outlooks.mean.copy()
        mean[:, : len(registers)] -= travel
        return _Rows(
            places=[Place(moment.seen.at_us, moment.seen.part_id) for moment in moments],
            readings=read - self._centres - travel @ self.sensitivity.T,
            mean=mean,
            cov=outlooks.cov,
            walk_var=outlooks.walk_var,
            noise_var=outlooks.noise_var,
            travel_um=travel,
            is_born=np.array(born, dtype=np.bool_),
            elapsed=np.array([1 + min(moment.passed, MOST_PASSED) for moment in moments], dtype=np.int64),
        )

    # Which parts may show something ----------------------------------------------------------------------------------

    def restless(self, numbers: Counts, limit: float) -> list[int]:
        """Rows (their machine part `numbers` given) after which readings stand `limit` standard deviations off.

        The newest `a` parts are held against the parts before them, along every register and for every feature alone;
        cheap, and apart from the scatter of the readings knows no uncertainty, so it lets pass more than it should.
        """
        rows = self._rows
        if rows is None or len(rows) < 2:
            return []
        off, noise_sd = self._off_from_frozen(numbers), np.sqrt(rows.noise_var)
        known = ~np.isnan(off)
        directions = self.sensitivity[None] / rows.noise_var[:, :, None]
        most = np.zeros(len(rows))
        for newest in (1, 2, 3, 5, 8, 12):
            late, count = _sums(off[:, :newest], known[:, :newest])
            early, before = _sums(off[:, newest:], known[:, newest:])
            with np.errstate(divide="ignore", invalid="ignore"):
                both = (count > 0) & (before > 0)
                apart = np.where(both, late / count - early / before, 0.0)
                spread = np.where(both, 1 / count + 1 / before, 0.0)
                alone = np.where(both, np.abs(apart) / (noise_sd * np.sqrt(spread)), 0.0)
                along = np.einsum("nf,nfr->nr", apart, directions)
                norm = np.sqrt(np.einsum("nf,nfr,nfr->nr", spread * rows.noise_var, directions, directions))
                together = np.where(norm > 0, np.abs(along) / norm, 0.0)
            most = np.maximum.reduce([most, alone.max(axis=1), together.max(axis=1, initial=0.0)])
        return [int(row) for row in np.flatnonzero(most > limit)]

    def _off_from_frozen(self, numbers: Counts) -> Array:
        """n x SPAN x F by age in rows of the group; nan where not read or not looked back on."""
        rows = self._rows
        assert rows is not None
        assert self._design is not None
        frozen = self._frozen(numbers)
        at = np.arange(len(rows))[:, None] - np.arange(SPAN)[None, :]
        inside = (at > frozen[:, None]) & (at >= 0)
        since = np.cumsum(rows.elapsed)
        ahead = since[np.maximum(at, 0)] - since[frozen][:, None]
        level = rows.mean[frozen] @ self._design.T
        slope = (rows.mean[frozen] @ self._step.T) @ self._design.T
        expected = level[:, None, :] + ahead[:, :, None] * slope[:, None, :]
        return np.where(inside[:, :, None], rows.readings[np.maximum(at, 0)] - expected, np.nan)

    @property
    def _step(self) -> Array:
        """K x K: what one part adds to the states; levels grow by their slopes, and slopes by nothing."""
        assert self._transition is not None
        step: Array = self._transition - np.eye(len(self._transition))
        return step

    def _frozen(self, numbers: Counts) -> Counts:
        """Per row the row whose belief is carried forward to it."""
        rows = self._rows
        assert rows is not None
        at = np.arange(len(rows))
        old = np.maximum(np.searchsorted(numbers, numbers - SPAN, side="right") - 1, 0)
        born = np.maximum.accumulate(np.where(rows.is_born, at, 0))
        return np.minimum(np.maximum(old, born), at)

    # One part in full ------------------------------------------------------------------------------------------------

    def residue(self, numbers: Counts, part: int) -> Residue | None:
        """What is seen after machine part number `part`; None where the group has nothing to hold against a belief."""
        rows = self._rows
        newest = int(np.searchsorted(numbers, part, side="right")) - 1
        if rows is None or newest < 1:
            return None
        old = int(np.searchsorted(numbers[: newest + 1], part - SPAN, side="right")) - 1
        born = int(np.max(np.flatnonzero(rows.is_born[: newest + 1]), initial=0))
        frozen = max(old, born, 0)
        within = np.arange(frozen + 1, newest + 1)
        within = within[part - numbers[within] < SPAN]
        if not within.size:
            return None
        return self._residue(frozen, within, part - numbers[within])

    def _residue(self, frozen: int, within: Counts, ages: Counts) -> Residue:
        rows = self._rows
        assert rows is not None
        assert self._design is not None
        since = np.cumsum(rows.elapsed)
        ahead = since[within] - since[frozen]
        level, slope = rows.mean[frozen] @ self._design.T, (self._step @ rows.mean[frozen]) @ self._design.T
        off = rows.readings[within] - level - ahead[:, None] * slope
        bins = BIN_OF_AGE[ages]
        members = (bins[None, :] == np.arange(BINS)[:, None]).astype(np.float64)  # B x n
        known = ~np.isnan(off)
        counts = (members @ known).T  # F x B
        sums = (members @ np.where(known, off, 0.0)).T
        share = np.zeros((BINS, SPAN))
        share[bins, ages] = 1.0
        total = share.sum(axis=1, keepdims=True)
        return Residue(
            off=np.where(counts > 0, sums / np.maximum(counts, 1), 0.0),
            cov=self._covariance(frozen, _middles(members, ahead), counts),
            ages=np.divide(share, total, out=np.zeros_like(share), where=total > 0),
            entries=self._entries(frozen, within, ages),
        )

    def _covariance(self, frozen: int, ahead: Array, counts: Array) -> Array:
        """Of the bins' means: the frozen belief carried to the middle of each bin, and the readings' scatter."""
        rows, design = self._rows, self._design
        assert rows is not None
        assert design is not None
        states = _carried(rows.cov[frozen], rows.walk_var[frozen], self._step, ahead)  # B x B x K x K
        cov = (design @ states @ design.T).transpose(2, 0, 3, 1)  # F x B x F x B
        features, bins = counts.shape
        scatter = np.where(counts > 0, rows.noise_var[frozen][:, None] / np.maximum(counts, 1), UNREAD_VAR)
        flat: Array = np.ascontiguousarray(cov).reshape(features * bins, features * bins)
        flat[np.diag_indices(features * bins)] += scatter.ravel()
        return flat.reshape(features, bins, features, bins)

    def _entries(self, frozen: int, within: Counts, ages: Counts) -> tuple[tuple[int, int, float], ...]:
        """The register changes inside the stretch: known moves, but they may not have done what they should."""
        rows = self._rows
        assert rows is not None
        moved = np.diff(rows.travel_um[[frozen, *within]], axis=0)
        return tuple(
            (int(register), int(ages[k]), float(moved[k, register]))
            for k, register in zip(*np.nonzero(np.abs(moved) > 0), strict=True)
        )


def _sums(off: Array, known: NDArray[np.bool_]) -> tuple[Array, Array]:
    """n x F sums over ages and how many were read."""
    return np.where(known, off, 0.0).sum(axis=1), known.sum(axis=1).astype(np.float64)


def _middles(members: Array, ahead: Counts) -> Array:
    """B: how many parts after the frozen belief the middle of each bin lies; 1 for a bin without parts."""
    counts = members.sum(axis=1)
    return np.where(counts > 0, np.rint((members @ ahead) / np.maximum(counts, 1)), 1.0)


def _carried(cov: Array, walk_var: Array, step: Array, ahead: Array) -> Array:
    """B x B x K x K: covariances of the states `ahead` parts later, with each other.

    With step @ step = 0, j parts make I + j step; walks of parts 1 to j gather as the sums below.
    """
    j = np.minimum(ahead[:, None], ahead[None, :])[:, :, None, None]  # the walks both have in common
    one, other = ahead[:, None, None, None], ahead[None, :, None, None]
    grown = cov + one * (step @ cov) + other * (cov @ step.T) + one * other * (step @ cov @ step.T)
    walk = np.diag(walk_var)
    left, right, both = step @ walk, walk @ step.T, step @ walk @ step.T
    # sum over i = 0 .. j-1 of (I + (one - j + i) step) walk (I + (other - j + i) step)'
    first, second = one - j, other - j
    sum_i, sum_ii = j * (j - 1) / 2, (j - 1) * j * (2 * j - 1) / 6
    lefts, rights = j * first + sum_i, j * second + sum_i
    boths = j * first * second + (first + second) * sum_i + sum_ii
    carried: Array = grown + j * walk + lefts * left + rights * right + boths * both
    return carried
