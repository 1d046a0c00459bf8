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
FIRST_AGE = np.searchsorted(BIN_OF_AGE, np.arange(BINS))  # of each bin
IN_BIN = (BIN_OF_AGE[None, :] == np.arange(BINS)[:, None]).astype(np.float64)  # BINS x SPAN
MOST_PASSED = 100  # as the trend counts them
NEWS = 10  # parts after which a sudden change is simply where the register now stands
KEPT = SPAN + NEWS + 2  # parts of a group that are remembered beyond a run
UNREAD_VAR = 1e12  # of a bin without a reading: it then tells nothing


class Place(NamedTuple):
    """A part's place in the machine's own order."""

    at_us: int
    part_id: int


class Residues(NamedTuple):
    """What one group's readings show beyond what was expected after P parts: B bins of F features, with covariance."""

    off: Array  # P x F x B, um
    cov: Array  # P x F x B x F x B
    ages: Array  # P x B x SPAN: the share of each age (0: the newest part) in each bin; 0: no part of it
    entries: tuple[tuple["Entered", ...], ...]  # of each part


class Entered(NamedTuple):
    """A register change inside a stretch: a known move, but it may not have done what it should."""

    register: int
    age: int  # of the first part after it
    um: float


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
        tracks = [[moment.tracks[one] for one in registers] for moment in moments]
        travel = np.array([[track.travel_um for track in of_part] for of_part in tracks])
        born = [[track.parts_since_new_tool == 1 for track in of_part] for of_part in tracks]
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
            is_born=np.any(np.array(born, dtype=np.bool_), axis=1),
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
        return self._frozen_before(numbers, numbers, np.arange(len(numbers)))

    def _frozen_before(self, numbers: Counts, parts: Counts, newest: Counts) -> Counts:
        """Likewise for these parts of the machine and the newest row that each of them has."""
        rows = self._rows
        assert rows is not None
        old = np.searchsorted(numbers, parts - SPAN, side="right") - 1
        born = np.maximum.accumulate(np.where(rows.is_born, np.arange(len(rows)), 0))[newest]
        frozen: Counts = np.minimum(np.maximum.reduce([old, born, np.zeros_like(old)]), newest)
        return frozen

    # Some parts in full ----------------------------------------------------------------------------------------------

    def residues(self, numbers: Counts, parts: Counts) -> Residues | None:
        """What is seen after each of these machine parts; None where the group has no belief to hold anything against.

        The same for each part, whichever others are asked with it.
        """
        rows = self._rows
        if rows is None or len(rows) < 2:
            return None
        newest = np.maximum(np.searchsorted(numbers, parts, side="right") - 1, 0)
        frozen = self._frozen_before(numbers, parts, newest)
        wanted = parts[:, None] - np.arange(SPAN)
        at = np.maximum(np.searchsorted(numbers, wanted, side="right") - 1, 0)
        within = (numbers[at] == wanted) & (at > frozen[:, None])
        return self._residues(frozen, np.where(within, at, 0), within)

    def _residues(self, frozen: Counts, at: Counts, within: Flags) -> Residues:
        """P frozen rows; P x SPAN rows by age and whether there is one."""
        rows = self._rows
        assert rows is not None
        since = np.cumsum(rows.elapsed)
        ahead = np.where(within, since[at] - since[frozen][:, None], 0)
        off = rows.readings[at] - self._expected(frozen, ahead)
        known = within[:, :, None] & ~np.isnan(off)
        counts = _binned(known.astype(np.float64))  # P x B x F
        means = np.where(counts > 0, _binned(np.where(known, off, 0.0)) / np.maximum(counts, 1), 0.0)
        members = _binned(within.astype(np.float64))  # P x B
        middles = np.where(members > 0, np.rint(_binned(ahead.astype(np.float64)) / np.maximum(members, 1)), 1.0)
        return Residues(
            off=means.transpose(0, 2, 1),
            cov=self._covariance(frozen, middles, counts.transpose(0, 2, 1)),
            ages=IN_BIN * within[:, None, :] / np.maximum(members, 1)[:, :, None],
            entries=self._entries(at, within),
        )

    def _expected(self, frozen: Counts, ahead: Counts) -> Array:
        """P x SPAN x F: what the frozen beliefs expect so many parts later."""
        rows, design = self._rows, self._design
        assert rows is not None
        assert design is not None
        mean = rows.mean[frozen][:, :, None]
        level, slope = (design @ mean)[:, None, :, 0], (design @ self._step @ mean)[:, None, :, 0]
        expected: Array = level + ahead[:, :, None] * slope
        return expected

    def _covariance(self, frozen: Counts, ahead: Array, counts: Array) -> Array:
        """Of the bins' means: the frozen belief carried to the middle of each bin, and the readings' scatter."""
        rows, design = self._rows, self._design
        assert rows is not None
        assert design is not None
        cov = carried(rows.cov[frozen], rows.walk_var[frozen], self._step, design, ahead)
        scatter = np.where(counts > 0, rows.noise_var[frozen][:, :, None] / np.maximum(counts, 1), UNREAD_VAR)
        np.einsum("pfbfb->pfb", cov)[...] += scatter
        return cov

    def _entries(self, at: Counts, within: Flags) -> tuple[tuple[Entered, ...], ...]:
        """The register changes inside each stretch, the oldest first."""
        rows = self._rows
        assert rows is not None
        moved = np.diff(rows.travel_um, axis=0, prepend=rows.travel_um[:1])
        entries: list[list[Entered]] = [[] for _ in at]
        changed = within & np.any(moved != 0, axis=1)[at]
        for part, age in zip(*np.nonzero(changed[:, ::-1]), strict=True):
            age = SPAN - 1 - age
            um = moved[at[part, age]]
            entries[part] += [Entered(int(r), int(age), float(um[r])) for r in np.flatnonzero(um)]
        return tuple(tuple(own) for own in entries)


def _sums(off: Array, known: NDArray[np.bool_]) -> tuple[Array, Array]:
    """n x F sums over ages and how many were read."""
    return np.where(known, off, 0.0).sum(axis=1), known.sum(axis=1).astype(np.float64)


def _binned(table: Array) -> Array:
    """Sums over the ages (second axis) of each bin."""
    sums: Array = np.add.reduceat(table, FIRST_AGE, axis=1)
    return sums


def carried(cov: Array, walk_var: Array, step: Array, design: Array, ahead: Array) -> Array:
    """P x F x B x F x B: covariances of what F readings show of the states `ahead` (P x B) parts later.

    With step @ step = 0, j parts make I + j step; walks of parts 1 to j gather as the sums below.
    """
    one, other = ahead[:, :, None], ahead[:, None, :]
    j = np.minimum(one, other)  # the walks both have in common
    # sum over i = 0 .. j-1 of (I + (one - j + i) step) walk (I + (other - j + i) step)'
    first, second = one - j, other - j
    sum_i, sum_ii = j * (j - 1) / 2, (j - 1) * j * (2 * j - 1) / 6
    grown = [np.ones_like(j), one + 0 * j, other + 0 * j, one * other]
    walked = [j, j * first + sum_i, j * second + sum_i, j * first * second + (first + second) * sum_i + sum_ii]
    times = np.stack([*grown, *walked], axis=1)  # P x 8 x B x B
    walk = walk_var[:, :, None] * np.eye(len(step))
    ways = _ways(design, design @ step)
    seen = np.stack([left @ of @ right.T for of in (cov, walk) for left, right in ways], axis=1)  # P x 8 x F x F
    parts, bins, features = len(ahead), ahead.shape[1], len(design)
    summed = seen.reshape(parts, 8, -1).transpose(0, 2, 1) @ times.reshape(parts, 8, -1)
    found: Array = summed.reshape(parts, features, features, bins, bins).transpose(0, 1, 3, 2, 4)
    return found


def _ways(level: Array, slope: Array) -> tuple[tuple[Array, Array], ...]:
    return (level, level), (slope, level), (level, slope), (slope, slope)
