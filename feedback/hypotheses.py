"""Holds what could have moved a machine's readings against each other by their likelihoods. Pure; numpy only.

Every hypothesis says along which directions the readings of all groups move together (its columns), how large that
usually is (a normal prior with standard deviations `usual_um`), and how it may go over time (its shapes). The amplitude
is estimated by generalised least squares under that prior, and what the readings y gain by it over nothing new is, with
G = C' V^-1 C and h = C' V^-1 y over columns C times shape, and T the prior's variances,

    1/2 h' (T^-1 + G)^-1 h - 1/2 log det(I + T G)

(marginal likelihood of a linear model with normal priors). The second term is what a hypothesis pays for being able to
explain much. Beside a hypothesis that is known already, another one gains what is left of G and h once the first is
eliminated from the joint system.

Many parts are asked at once: what numpy costs a call is more than what the sums of one part do.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate, combinations_with_replacement, pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedback.stretch import NEWS, SPAN, Residues
from rules.evidence import Cause

Array = NDArray[np.float64]
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]

RAMPS: Final = (6, 9, 12, 16, 20)  # parts ago that a steady drift may have begun
CURVES: Final = (5, 7, 9, 12, 16, 20)  # likewise for one that settles
SETTLING: Final = 6.0  # parts in which two thirds of the latter are done: an hour at some minutes a part

PAIRED_FROM: Final = 2.0  # log-odds from which a hypothesis is worth trying together with every other

STEPS: Final = slice(0, SPAN)
STEADY: Final = slice(SPAN, SPAN + len(RAMPS))
DRIFTS: Final = slice(STEADY.start, STEADY.stop + len(CURVES))
ONCE: Final = slice(DRIFTS.stop, DRIFTS.stop + SPAN)


def _shapes() -> Array:
    """W x SPAN: the size at each age (0: the newest part) of a change whose newest size is 1."""
    age = np.arange(SPAN)
    steps = [np.where(age < start, 1.0, 0.0) for start in range(1, SPAN + 1)]
    ramps = [np.maximum(start - age, 0) / start for start in RAMPS]
    curves = [np.where(age < start, 1 - np.exp(-(start - age) / SETTLING), 0.0) for start in CURVES]
    once = [np.where(age == at, 1.0, 0.0) for at in range(SPAN)]
    return np.array([*steps, *ramps, *curves, *once])


SHAPES: Final = _shapes()
SINCE: Final = np.array([*range(1, SPAN + 1), *RAMPS, *CURVES, *range(1, SPAN + 1)])  # parts, from the first on
IS_NEWS: Final = np.array(
    [*(start <= NEWS for start in range(1, SPAN + 1)), *(True for _ in (*RAMPS, *CURVES)), True, *[False] * (SPAN - 1)]
)


@dataclass(frozen=True, eq=False)
class Hypothesis:
    """One thing that may have happened to `who`, called `what` ("none": it explains, but is nothing to be told).

    `columns` is F x k over all features of the machine. `log_prior` is the odds of each of its shapes, one value or W.
    Where `sign` is given, an amplitude (of the first column) of the other sign is nothing to be told.
    """

    what: Cause
    who: str
    columns: Array
    usual_um: tuple[float, ...]
    shapes: slice
    log_prior: float | Array
    sign: int = 0
    apart: str = ""  # what it means where features go apart that no register moves so; empty: registers moved

    @property
    def name(self) -> tuple[Cause, str]:
        return self.what, self.who


@dataclass(frozen=True, eq=False)
class Family:
    """m hypotheses of k columns each and the same shapes, asked at once: of all parts the same, or of each its own.

    `members` has one entry for all parts, or one a part (the arrays then have as many, and room for the most). Of two
    columns of a member only the pairs (i, j) with i <= j count, J in all.
    """

    members: tuple[tuple[Hypothesis, ...], ...]
    shapes: slice
    columns: Array  # (P x) m x k x F
    usual_var: Array  # (P x) m x k
    log_prior: Array  # (P x) m x W, -inf: no member
    is_told: Flags  # m x W: worth telling under that shape
    sign: Counts  # m: that the first amplitude must have to be told, 0: any

    def __len__(self) -> int:
        """All members under all shapes."""
        return self.size * self.count

    @property
    def size(self) -> int:
        """m."""
        return len(self.is_told)

    @property
    def count(self) -> int:
        """W."""
        return int(self.shapes.stop - self.shapes.start)

    @cached_property
    def pairs(self) -> list[tuple[int, int]]:
        return list(combinations_with_replacement(range(self.columns.shape[-2]), 2))

    @cached_property
    def square(self) -> Counts:
        """k x k: which of the J pairs stands there."""
        square = np.zeros((self.columns.shape[-2],) * 2, dtype=np.int64)
        for at, (i, j) in enumerate(self.pairs):
            square[i, j] = square[j, i] = at
        return square

    @cached_property
    def side_by_side(self) -> Array:
        """(P x) (m k) x F: all columns."""
        *parts, members, count, features = self.columns.shape
        return self.columns.reshape(*parts, members * count, features)

    @cached_property
    def products(self) -> Array:
        """(P x) (m J) x (F F): all products of two columns of a member."""
        *parts, members, _, features = self.columns.shape
        both = [self.columns[..., i, :, None] * self.columns[..., j, None, :] for i, j in self.pairs]
        return np.stack(both, axis=-3).reshape(*parts, members * len(self.pairs), features * features)

    def of_part(self, part: int) -> tuple[Hypothesis, ...]:
        return self.members[0] if self.columns.ndim == 3 else self.members[part]

    def called(self, part: int, name: tuple[Cause, str]) -> list[int]:
        """The members of that name."""
        return self._of_name[0 if self.columns.ndim == 3 else part].get(name, [])

    @cached_property
    def _of_name(self) -> list[dict[tuple[Cause, str], list[int]]]:
        of_name: list[dict[tuple[Cause, str], list[int]]] = [{} for _ in self.members]
        for members, names in zip(self.members, of_name, strict=True):
            for m, member in enumerate(members):
                names.setdefault(member.name, []).append(m)
        return of_name

    def of(self, parts: Counts) -> "Family":
        """As it is asked of these parts."""
        if self.columns.ndim == 3:
            return self
        members = tuple(self.members[part] for part in parts.tolist())
        arrays = self.columns[parts], self.usual_var[parts], self.log_prior[parts]
        return Family(members, self.shapes, *arrays, self.is_told, self.sign)


@dataclass(frozen=True, eq=False)
class Known:
    """One hypothesis under one of its shapes, to be tried together with every other one after part number `part`.

    `odds` are its own, alone.
    """

    part: int
    hypothesis: Hypothesis
    shape: int
    odds: float
    is_news: bool


@dataclass(frozen=True, eq=False)
class Scores:
    """Log-odds of n times H hypotheses against nothing new, each under each of its shapes; families one after another.

    `is_news`: worth telling under that shape and with the amplitude that it has there.
    """

    odds: Array  # n x H
    is_news: Flags  # n x H


class Readings:
    """The residues of all groups after P parts, ready to be asked along any column and shape.

    `places` are each group's rows among the machine's features.
    """

    def __init__(self, residues: Sequence[Residues], places: Sequence[slice], features: int) -> None:
        parts = len(residues[0].off)
        self.grams = np.zeros((parts, features, features, len(SHAPES)))
        self.pulls = np.zeros((parts, features, len(SHAPES)))
        self._groups = []
        for residue, place in zip(residues, places, strict=True):
            _, own, bins = residue.off.shape
            weights = residue.ages @ SHAPES.T  # P x B x W
            inverse = _inverse(residue.cov)  # P x (F B) x (F B)
            half = (inverse.reshape(parts, own * bins * own, bins) @ weights).reshape(parts, own, bins, own, -1)
            for b in range(bins):
                self.grams[:, place, place] += weights[:, b, None, None] * half[:, :, b]
            pull = residue.off.reshape(parts, 1, own * bins) @ half.reshape(parts, own * bins, -1)
            self.pulls[:, place] = pull.reshape(parts, own, -1)
            self._groups.append((place, weights, inverse))

    def __len__(self) -> int:
        return len(self.pulls)

    def crossed(self, parts: Counts, shapes: Counts, columns: Array) -> Array:
        """Q x F x k x W: what every feature under any shape has in common with columns (Q x k x F) under one each."""
        found = np.zeros((len(parts), columns.shape[2], columns.shape[1], len(SHAPES)))
        for place, weights, inverse in self._groups:
            own, by_bin = columns[:, :, place], weights[parts, :, shapes]
            shaped = own.transpose(0, 2, 1)[:, :, None, :] * by_bin[:, None, :, None]  # Q x F x B x k
            size, bins = own.shape[2], by_bin.shape[1]
            half = (inverse[parts] @ shaped.reshape(len(parts), size * bins, -1)).reshape(len(parts), size, bins, -1)
            found[:, place] = half.transpose(0, 1, 3, 2) @ weights[parts][:, None]
        return found


def _inverse(cov: Array) -> Array:
    parts, features, bins = cov.shape[:3]
    flat = cov.reshape(parts, features * bins, features * bins)
    return np.asarray(np.linalg.inv((flat + flat.transpose(0, 2, 1)) / 2), dtype=np.float64)


def families(hypotheses: Iterable[Hypothesis]) -> tuple[Family, ...]:
    """The hypotheses, those that can be asked at once together."""
    alike: dict[tuple[int, int, int], list[Hypothesis]] = {}
    for one in hypotheses:
        alike.setdefault((one.columns.shape[1], one.shapes.start, one.shapes.stop), []).append(one)
    return tuple(_family(members) for members in alike.values())


def _family(members: Sequence[Hypothesis]) -> Family:
    shapes = members[0].shapes
    told = np.array([member.what != "none" for member in members])
    return Family(
        (tuple(members),),
        shapes,
        np.array([member.columns.T for member in members]),
        np.square([member.usual_um for member in members]),
        np.array([_log_prior(member) for member in members]),
        told[:, None] & IS_NEWS[None, shapes],
        np.array([member.sign for member in members], dtype=np.int64),
    )


def family_of_parts(members: Sequence[Sequence[Hypothesis]], shapes: slice, features: int) -> Family:
    """Hypotheses of one column that are asked of one part each, under these shapes; none of them is to be told."""
    room, count = max(map(len, members), default=0), shapes.stop - shapes.start
    columns, usual_var = np.zeros((len(members), room, 1, features)), np.ones((len(members), room, 1))
    log_prior = np.full((len(members), room, count), -np.inf)
    for part, own in enumerate(members):
        for m, one in enumerate(own):
            columns[part, m] = one.columns.T
            usual_var[part, m] = np.square(one.usual_um)
            log_prior[part, m] = _log_prior(one)
    never, any_way = np.zeros((room, count), dtype=np.bool_), np.zeros(room, dtype=np.int64)
    return Family(tuple(map(tuple, members)), shapes, columns, usual_var, log_prior, never, any_way)


def _log_prior(one: Hypothesis) -> Array:
    return np.broadcast_to(np.asarray(one.log_prior, dtype=np.float64), one.shapes.stop - one.shapes.start)


class Place(NamedTuple):
    """Where a member of a family stands: among the H, and in the family."""

    span: slice
    family: int
    member: int


@dataclass(frozen=True, eq=False)
class Found:
    """What P parts say of all hypotheses: of each alone, and of each beside every one that is `known` of its part."""

    readings: Readings
    asked: Sequence[Family]
    alone: Scores  # a row for each part
    known: Sequence[Known]
    beside: Scores  # a row for each known one

    @cached_property
    def places(self) -> list[Place]:
        """Of all M members."""
        places, first = list[Place](), 0
        for f, family in enumerate(self.asked):
            for m in range(family.size):
                places.append(Place(slice(first, first := first + family.count), f, m))
        return places

    @cached_property
    def firsts(self) -> Counts:
        """M: where each member begins among the H."""
        return np.array([place.span.start for place in self.places], dtype=np.int64)

    @cached_property
    def families(self) -> list[slice]:
        """Where each family stands among the H."""
        return [slice(first, end) for first, end in pairwise(accumulate(map(len, self.asked), initial=0))]

    def hypothesis(self, part: int, place: Place) -> Hypothesis:
        return self.asked[place.family].of_part(part)[place.member]

    def top(self, part: int) -> float:
        """The highest log-odds of any explanation of the part."""
        beside = [self.beside.odds[row] for row, one in enumerate(self.known) if one.part == part]
        return float(np.max([self.alone.odds[part], *beside]))

    def sizes_um(self, part: int, one: Hypothesis, shape: int, known: Known | None) -> tuple[list[float], list[float]]:
        """The amplitudes of `known` and of the hypothesis beside it."""
        both = [(one, shape)] if known is None else [(known.hypothesis, known.shape), (one, shape)]
        readings, at = self.readings, np.array([part])
        columns = np.hstack([hypothesis.columns for hypothesis, _ in both])
        pull = np.concatenate([hypothesis.columns.T @ readings.pulls[part, :, w] for hypothesis, w in both])
        inner = np.vstack(
            [
                np.hstack(
                    [
                        first.columns.T @ readings.crossed(at, np.array([v]), second.columns.T[None])[0, :, :, w]
                        for second, v in both
                    ]
                )
                for first, w in both
            ]
        )
        usual_var = np.square([um for hypothesis, _ in both for um in hypothesis.usual_um])
        sizes: list[float] = np.linalg.solve(inner + np.diag(1 / usual_var), pull).tolist()
        first = columns.shape[1] - one.columns.shape[1]
        return sizes[:first], sizes[first:]


def scores(readings: Readings, asked: Sequence[Family], pairs_of: int) -> Found:
    """Every family alone, and beside the likeliest `pairs_of` single hypotheses of each part."""
    sums = [_sums(readings, family) for family in asked]
    alone = _scores(asked, sums)
    known = [one for part in range(len(readings)) for one in _likeliest(asked, alone, part, pairs_of)]
    return Found(readings, asked, alone, known, _beside(readings, asked, sums, known))


def _likeliest(asked: Sequence[Family], alone: Scores, part: int, count: int) -> list[Known]:
    """The best single hypotheses under their best shape, one of each name, as far as they clearly beat nothing new."""
    odds = alone.odds[part]
    if not np.any(odds > PAIRED_FROM):
        return []
    best: dict[tuple[Cause, str], tuple[float, int, Family, Hypothesis]] = {}
    first = 0
    for family in asked:
        most = odds[first : first + len(family)].reshape(family.size, family.count).max(axis=1)
        members = family.of_part(part)
        for m in np.flatnonzero(most > PAIRED_FROM).tolist():
            name = members[m].name
            if name not in best or most[m] > best[name][0]:
                best[name] = float(most[m]), first + m * family.count, family, members[m]
        first += len(family)
    likeliest = sorted(best.values(), key=lambda one: -one[0])[:count]
    return [_known(alone, part, at, family, member) for _, at, family, member in likeliest]


def _known(alone: Scores, part: int, first: int, family: Family, member: Hypothesis) -> Known:
    """A member of a family, its shapes standing from `first` on, under the likeliest of them."""
    at = first + int(alone.odds[part, first : first + family.count].argmax())
    shape = family.shapes.start + at - first
    return Known(part, member, shape, float(alone.odds[part, at]), bool(alone.is_news[part, at]))


class _Sums(NamedTuple):
    """G and h of a family's members under their shapes, n times."""

    inner: Array  # n x m x J x W
    pull: Array  # n x m x k x W


def _sums(readings: Readings, family: Family) -> _Sums:
    parts, features, _ = readings.pulls.shape
    grams = readings.grams[:, :, :, family.shapes].reshape(parts, features * features, -1)
    inner, pull = family.products @ grams, family.side_by_side @ readings.pulls[:, :, family.shapes]
    members, count = family.columns.shape[-3:-1]
    return _Sums(inner.reshape(parts, members, len(family.pairs), -1), pull.reshape(parts, members, count, -1))


def _scores(asked: Sequence[Family], sums: Sequence[_Sums]) -> Scores:
    odds, news = [], []
    for family, own in zip(asked, sums, strict=True):
        gains, first_um = _gains(family, own)
        sign = family.sign[:, None]
        is_news = family.is_told & ((sign == 0) | (first_um * sign > 0))
        odds.append((gains + family.log_prior).reshape(len(gains), -1))
        news.append(is_news.reshape(len(gains), -1))
    return Scores(np.hstack(odds), np.hstack(news))


def _gains(family: Family, sums: _Sums) -> tuple[Array, Array]:
    """n x m x W: what the members gain, and their first amplitude.

    By eliminating one column after the other from (T^-1 + G), the last first.
    """
    inner, pull = sums.inner[:, :, family.square], sums.pull.copy()  # n x m x k x k x W, n x m x k x W
    gain, det = np.zeros_like(pull[:, :, 0]), np.ones_like(pull[:, :, 0])
    for last in reversed(range(pull.shape[2])):
        usual_var = family.usual_var[..., last, None]
        own = inner[:, :, last, last] + 1 / usual_var
        first_um = pull[:, :, last] / own
        gain, det = gain + pull[:, :, last] * first_um, det * (own * usual_var)
        row = inner[:, :, last, :last]
        share = row / own[:, :, None]
        pull[:, :, :last] -= share * pull[:, :, last, None]
        inner[:, :, :last, :last] -= share[:, :, :, None] * row[:, :, None]
    return 0.5 * (gain - np.log(det)), first_um


def _beside(readings: Readings, asked: Sequence[Family], sums: Sequence[_Sums], known: Sequence[Known]) -> Scores:
    """Every family beside each of `known`."""
    if not known:
        length = sum(map(len, asked))
        return Scores(np.zeros((0, length)), np.zeros((0, length), dtype=np.bool_))
    parts = np.array([one.part for one in known], dtype=np.int64)
    families_of = [family.of(parts) for family in asked]
    shared, drawn = _eliminated(readings, known, parts)
    left = [_left(family, own, parts, shared, drawn) for family, own in zip(families_of, sums, strict=True)]
    found = _scores(families_of, left)
    odds = found.odds + np.array([one.odds for one in known])[:, None]
    odds[_same(families_of, known)] = -np.inf
    return Scores(odds, found.is_news)


def _same(asked: Sequence[Family], known: Sequence[Known]) -> Flags:
    """Q x H: members that bear the known one's name; nothing happens twice."""
    flags = np.zeros((len(known), sum(map(len, asked))), dtype=np.bool_)
    for q, one in enumerate(known):
        first = 0
        for family in asked:
            for m in family.called(q, one.hypothesis.name):
                flags[q, first + m * family.count : first + (m + 1) * family.count] = True
            first += len(family)
    return flags


def _eliminated(readings: Readings, known: Sequence[Known], parts: Counts) -> tuple[Array, Array]:
    """Q x F x k x W, Q x k: what columns of the known ones have in common with any feature, and their pull; unrelated.

    Beyond a known one's own columns stand zeros.
    """
    room = max(one.hypothesis.columns.shape[1] for one in known)
    columns, tight = np.zeros((len(known), room, readings.pulls.shape[1])), np.ones((len(known), room))
    for q, one in enumerate(known):
        count = one.hypothesis.columns.shape[1]
        columns[q, :count], tight[q, :count] = one.hypothesis.columns.T, 1 / np.square(one.hypothesis.usual_um)
    shapes = np.array([one.shape for one in known], dtype=np.int64)
    own = columns @ readings.grams[parts, :, :, shapes] @ columns.transpose(0, 2, 1) + tight[:, :, None] * np.eye(room)
    root = np.linalg.inv(np.linalg.cholesky(own))
    pulled = columns @ readings.pulls[parts, :, shapes][:, :, None]
    shared: Array = root[:, None] @ readings.crossed(parts, shapes, columns)
    return shared, (root @ pulled)[:, :, 0]


def _left(family: Family, sums: _Sums, parts: Counts, shared: Array, drawn: Array) -> _Sums:
    """What the known ones leave to each member."""
    known, features, count = shared.shape[:3]
    flat = shared[:, :, :, family.shapes].reshape(known, features, -1)
    taken = (family.side_by_side @ flat).reshape(
        known, *family.columns.shape[-3:-1], count, -1
    )  # Q x m x k x known x W
    inner = np.stack([(taken[:, :, i] * taken[:, :, j]).sum(axis=2) for i, j in family.pairs], axis=2)
    pull = (taken * drawn[:, None, None, :, None]).sum(axis=3)
    return _Sums(sums.inner[parts] - inner, sums.pull[parts] - pull)
