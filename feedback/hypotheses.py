"""Holds what could have moved a machine's readings against each other by their likelihoods. Pure; numpy only.

Every hypothesis says along which directions the readings of all groups move together (its columns), how large that
usually is (a normal prior with standard deviations `usual_um`), and how it may go over time (its shapes). The amplitude
is estimated by generalised least squares under that prior, and what the readings y gain by it over nothing new is, with
G = C' V^-1 C and h = C' V^-1 y over columns C times shape, and T the prior's variances,

    1/2 h' (T^-1 + G)^-1 h - 1/2 log det(I + T G)

(marginal likelihood of a linear model with normal priors). The second term is what a hypothesis pays for being able to
explain much.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from feedback.stretch import NEWS, SPAN, Residue
from rules.evidence import Cause

Array = NDArray[np.float64]
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


@dataclass(frozen=True, eq=False)
class Family:
    """Hypotheses of as many columns and the same shapes, asked at once."""

    members: tuple[Hypothesis, ...]
    shapes: slice
    columns: Array  # m x F x k
    usual_var: Array  # m x k
    log_prior: Array  # m x W

    @cached_property
    def side_by_side(self) -> Array:
        """F x (m k): all columns."""
        members, features, count = self.columns.shape
        return np.ascontiguousarray(self.columns.transpose(1, 0, 2)).reshape(features, members * count)

    def along(self, effects: Array) -> Array:
        """m x W x k: `effects` (W x F) along the columns."""
        members, _, count = self.columns.shape
        return (effects @ self.side_by_side).reshape(len(effects), members, count).transpose(1, 0, 2)

    def inner(self, grams: Array) -> Array:
        """m x W x k x k: `grams` (W x F x F) between the columns of each member."""
        members, features, count = self.columns.shape
        half = (grams @ self.side_by_side).reshape(len(grams), features, members, count)
        if count == 1:
            inner: Array = (self.side_by_side[None] * half[:, :, :, 0]).sum(axis=1).T[:, :, None, None]
        else:
            inner = np.einsum("mfk,wfml->mwkl", self.columns, half)
        return inner


@dataclass(frozen=True, eq=False)
class Known:
    """One hypothesis under one of its shapes, to be tried together with every other one."""

    hypothesis: Hypothesis
    shape: int
    is_news: bool


@dataclass(frozen=True, eq=False)
class Scores:
    """Of a family's members under their shapes, alone or beside `known`: log-odds against nothing new, and amplitudes.

    The amplitudes of `known` stand first.
    """

    family: Family
    known: Known | None
    odds: Array  # m x W
    sizes_um: Array  # m x W x k

    def is_news(self) -> Flags:
        """m x W: the member is worth telling, under that shape and with that amplitude."""
        first = 0 if self.known is None else self.known.hypothesis.columns.shape[1]
        sign = np.array([member.sign for member in self.family.members])[:, None]
        told = np.array([member.what != "none" for member in self.family.members])[:, None]
        right_way = (sign == 0) | (self.sizes_um[:, :, first] * sign > 0)
        news: Flags = told & right_way & IS_NEWS[self.family.shapes][None, :]
        return news


class Readings:
    """The residues of all groups after one part, ready to be asked along any column and shape.

    `places` are each group's rows among the machine's features.
    """

    def __init__(self, residues: Sequence[Residue], places: Sequence[slice], features: int) -> None:
        self.grams = np.zeros((len(SHAPES), features, features))
        self.pulls = np.zeros((len(SHAPES), features))
        self._parts = []
        for residue, place in zip(residues, places, strict=True):
            weights = SHAPES @ residue.ages.T  # W x B
            half = np.moveaxis(_inverse(residue.cov) @ weights.T, 3, 0)  # W x F x B x F
            self.grams[:, place, place] = (weights[:, None, None, :] @ half)[:, :, 0]
            self.pulls[:, place] = residue.off.ravel() @ half.reshape(len(SHAPES), residue.off.size, -1)
            self._parts.append((place, weights, half))

    def crossed(self, shape: int) -> Array:
        """W x F x F: what columns (second index) under any shape have in common with columns (third) under this one."""
        crossed = np.zeros_like(self.grams)
        for place, weights, half in self._parts:
            crossed[:, place, place] = np.moveaxis(weights @ half[shape], 0, 1)
        return crossed


def _inverse(cov: Array) -> Array:
    features, bins = cov.shape[:2]
    flat = cov.reshape(features * bins, features * bins)
    inverse = np.asarray(np.linalg.inv((flat + flat.T) / 2), dtype=np.float64)
    return inverse.reshape(features, bins, features, bins)


def families(hypotheses: Iterable[Hypothesis]) -> tuple[Family, ...]:
    """The hypotheses, those that can be asked at once together."""
    alike: dict[tuple[int, int, int], list[Hypothesis]] = {}
    for one in hypotheses:
        alike.setdefault((one.columns.shape[1], one.shapes.start, one.shapes.stop), []).append(one)
    return tuple(_family(members) for members in alike.values())


def _family(members: Sequence[Hypothesis]) -> Family:
    shapes = members[0].shapes
    count = shapes.stop - shapes.start
    return Family(
        tuple(members),
        shapes,
        np.array([member.columns for member in members]),
        np.square([member.usual_um for member in members]),
        np.array([np.broadcast_to(member.log_prior, count) for member in members]),
    )


def scores(readings: Readings, asked: Sequence[Family], pairs_of: int) -> list[Scores]:
    """Every family alone, and beside the likeliest `pairs_of` single hypotheses."""
    alone = [_alone(readings, family) for family in asked]
    return [*alone, *(pair for known in _likeliest(alone, pairs_of) for pair in _beside(readings, asked, known))]


def _likeliest(alone: Sequence[Scores], count: int) -> list[Known]:
    """The best single hypotheses under their best shape, one of each name, as far as they clearly beat nothing new."""
    best: dict[tuple[str, str], tuple[float, Known]] = {}
    for one in alone:
        news = one.is_news()
        for m, member in enumerate(one.family.members):
            shape = int(one.odds[m].argmax())
            name, odds = (member.what, member.who), float(one.odds[m, shape])
            if odds > PAIRED_FROM and (name not in best or odds > best[name][0]):
                best[name] = odds, Known(member, one.family.shapes.start + shape, bool(news[m, shape]))
    return [known for _, known in sorted(best.values(), key=lambda pair: -pair[0])[:count]]


def _alone(readings: Readings, family: Family) -> Scores:
    inner = family.inner(readings.grams[family.shapes])
    gains, sizes = _gains(inner, family.along(readings.pulls[family.shapes]), family.usual_var)
    return Scores(family, None, gains + family.log_prior, sizes)


def _beside(readings: Readings, asked: Sequence[Family], known: Known) -> Iterator[Scores]:
    columns, shape = known.hypothesis.columns, known.shape
    crossed = readings.crossed(shape) @ columns  # W x F x k
    own = columns.T @ readings.grams[shape] @ columns
    pulled = readings.pulls[shape] @ columns
    for family in asked:
        yield _joined(readings, family, known, own, pulled, crossed[family.shapes])


def _joined(readings: Readings, family: Family, known: Known, own: Array, pulled: Array, crossed: Array) -> Scores:
    members, _, second = family.columns.shape
    first, count = own.shape[0], len(crossed)
    inner = np.zeros((members, count, first + second, first + second))
    inner[:, :, :first, :first] = own
    inner[:, :, first:, first:] = family.inner(readings.grams[family.shapes])
    for column in range(first):
        inner[:, :, first:, column] = family.along(crossed[:, :, column])
    inner[:, :, :first, first:] = inner[:, :, first:, :first].swapaxes(2, 3)
    pull = np.zeros((members, count, first + second))
    pull[:, :, :first] = pulled
    pull[:, :, first:] = family.along(readings.pulls[family.shapes])
    usual_var = np.hstack([np.tile(np.square(known.hypothesis.usual_um), (members, 1)), family.usual_var])
    gains, sizes = _gains(inner, pull, usual_var)
    prior = _prior(known)
    odds = gains + family.log_prior + prior
    same = [one.what == known.hypothesis.what and one.who == known.hypothesis.who for one in family.members]
    odds[same] = -np.inf
    return Scores(family, known, odds, sizes)


def _prior(known: Known) -> float:
    shapes = known.hypothesis.shapes
    return float(np.broadcast_to(known.hypothesis.log_prior, shapes.stop - shapes.start)[known.shape - shapes.start])


def _gains(inner: Array, pull: Array, usual_var: Array) -> tuple[Array, Array]:
    """m x W gains and m x W x k amplitudes."""
    count = usual_var.shape[1]
    tightened = inner.copy()
    tightened[:, :, range(count), range(count)] += (1 / usual_var)[:, None, :]
    if count == 1:
        sizes = pull / tightened[:, :, 0]
        log_det = np.log(tightened[:, :, 0, 0])
    else:
        sizes = np.asarray(np.linalg.solve(tightened, pull[:, :, :, None])[:, :, :, 0], dtype=np.float64)
        _, log_det = np.linalg.slogdet(tightened)
    return 0.5 * (pull * sizes).sum(axis=2) - 0.5 * (log_det + np.log(usual_var).sum(axis=1)[:, None]), sizes
