"""Do the readings together tell of a sudden change that none of them tells alone?

A sudden change puts the same signature on every part from the first that shows it. What is left of it part by part in
a filter that believed them all is followed by Willsky & Jones, IEEE Transactions on Automatic Control 21 (1976)
108-112: at a known signature the generalised likelihood ratio is a normal variable squared, here kept as that
variable, one for each signature and each of the last three parts it may have begun with.
"""

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from feedback.trend.shape import States
from feedback.trend.statespace import Array, Flags, Model, Run

WINDOW: int = 3  # parts looked back on: a change that has not shown itself by then has become part of the estimate
ALONE_SD = 4.0  # one reading against what the others of its part say: one good reading in 16 000 is further off
TOGETHER_SD = 4.5  # several readings of one part; there are more signatures than readings
LASTING_SD = 4.8  # two or three parts' readings: of 100 000 good parts, three give a false alarm in two signatures each
SECOND_PART = 6.0  # log-likelihood, doubled, by which more readings must explain better than one, or than one part
MOST_PAIRED = 10  # features of a register; beyond, comparing each with each costs more than it finds


@dataclass(frozen=True, slots=True)
class Looks:
    """n parts as they were met: how far off, how much that weighs, and what it did to the next expectation."""

    off: Array  # n x F, 0: not read
    weight: Array  # n x F x F, the inverse of the covariance of what was read, 0: not read
    reach: Array  # n x K x F, what a micrometre off moves in the states expected next

    def __len__(self) -> int:
        return len(self.off)

    def __getitem__(self, rows: slice) -> "Looks":
        return Looks(self.off[rows], self.weight[rows], self.reach[rows])

    def then(self, later: "Looks") -> "Looks":
        """These parts and those after them."""
        return Looks(*(np.concatenate(pair) for pair in zip(self._arrays, later._arrays, strict=True)))

    def to_json(self) -> list[Any]:
        return [array.tolist() for array in self._arrays]

    @staticmethod
    def from_json(states: States, kept: list[Any]) -> "Looks":
        empty = no_looks(states)
        shapes = [(-1, *array.shape[1:]) for array in empty._arrays]
        return Looks(*(np.array(table).reshape(shape) for table, shape in zip(kept, shapes, strict=True)))

    @property
    def newest(self) -> "Looks":
        """The parts that the next one is seen together with."""
        return self[max(0, len(self) - (WINDOW - 1)) :]

    @property
    def _arrays(self) -> tuple[Array, Array, Array]:
        return self.off, self.weight, self.reach


def no_looks(states: States) -> Looks:
    """Before the first part."""
    features = states.features
    return Looks(np.zeros((0, features)), np.zeros((0, features, features)), np.zeros((0, states.count, features)))


def looks_at(model: Model, run: Run) -> Looks:
    """What the rows of `run` showed."""
    read = ~np.isnan(run.innovation)
    both = read[:, :, None] & read[:, None, :]
    carried = run.predicted_cov[:-1] @ model.design.T
    cov = model.design @ carried + np.diag(model.noise_var)
    # an unread feature stands by itself in the inverse and is struck out after it
    weight = np.where(both, np.linalg.inv(np.where(both, cov, np.eye(read.shape[1]))), 0.0)
    return Looks(np.where(read, run.innovation, 0.0), weight, model.transition @ carried @ weight)


@dataclass(frozen=True, slots=True)
class Signatures:
    """J ways in which readings may move together, each F long: a register, two features apart, one feature alone."""

    table: Array  # J x F
    limit: Array  # J: how surely one part must show it

    def clearest(self, found: Array) -> int | None:
        """Of J signs in one part the one that explains it; one reading rather than several where both nearly do."""
        price = np.where(self.limit == ALONE_SD, 0.0, SECOND_PART)
        clear = np.where(np.abs(found) > self.limit, found**2 - price, 0.0)
        best = int(np.argmax(clear))
        return best if clear[best] else None


def signatures_of(states: States) -> Signatures:
    """All that one group's features can show."""
    rows = list(states.sensitivity.T[states.moves.sum(axis=0) > 1])
    one = np.eye(states.features)
    for f, g in sorted(_pairs(states)):
        rows.append(one[f] - _same_way(states, f, g) * one[g])
    limit = np.repeat([TOGETHER_SD, ALONE_SD], [len(rows), states.features])
    return Signatures(np.array([*rows, *one]).reshape(-1, states.features), limit)


def _pairs(states: States) -> set[tuple[int, int]]:
    """Features of one register that may move against each other."""
    own = np.array([index is not None for index in states.own])
    of_register = [np.flatnonzero(told & own).tolist() for told in states.told.T]
    return {pair for features in of_register if len(features) <= MOST_PAIRED for pair in combinations(features, 2)}


def _same_way(states: States, f: int, g: int) -> float:
    """1 where the register they share moves both readings the same way, -1 otherwise."""
    return float(np.sign(states.sensitivity[f] @ states.sensitivity[g]) or 1.0)


def told(model: Model, signatures: Signatures, looks: Looks) -> Flags:
    """n: the part's own readings, or with those of the parts before it, tell of something together.

    No sign is surer than all readings it rests on are off, so most parts are answered without looking for any.
    """
    off = np.einsum("nf,nfg,ng->n", looks.off, looks.weight, looks.off)
    summed = np.cumsum(off)
    summed[WINDOW:] -= summed[:-WINDOW].copy()
    if (off <= signatures.limit.min() ** 2).all() and (summed <= LASTING_SD**2).all():
        return np.zeros(len(looks), dtype=np.bool_)
    found = signs(model, signatures, looks)
    return found.together(signatures) | found.lasting().any(axis=(1, 2))


@dataclass(frozen=True, slots=True)
class Signs:
    """For n parts, each with up to two before it, and J signatures: how surely one is there, and how large it is.

    Entry k, b belongs to part k and a signature that began b parts before it. `stays` and `passes` are normal variables
    of spread 1 where nothing changed, 0 where there is nothing to see: of a signature on all parts since, and on that
    one part only.
    """

    stays: Array  # n x 3 x J
    passes: Array  # n x 3 x J
    size: Array  # n x 3 x J, of the one that stays: um, to be multiplied by the signature

    def together(self, signatures: Signatures) -> Flags:
        """n: the part's own readings tell of something together."""
        return np.asarray((np.abs(self.stays[:, 0]) > signatures.limit).any(axis=1))

    def lasting(self) -> Flags:
        """n x 3 x J: the part and those before it tell of a change that stays, and not of one odd part."""
        square = self.stays**2
        odd = np.maximum.accumulate((self.passes**2).max(axis=2), axis=1)
        flags: Flags = square > np.maximum(LASTING_SD**2, odd + SECOND_PART)[:, :, None]
        return flags


def signs(model: Model, signatures: Signatures, looks: Looks) -> Signs:
    """What the parts of `looks` tell."""
    table, rows = signatures.table, len(looks)
    sure, size = np.zeros((2, 2, rows, WINDOW, len(table)))
    left = np.broadcast_to(table, (2, rows, *table.shape))  # of the signature in the readings: it stays, or has passed
    states = model.design.shape[1]
    expected = np.zeros((2, rows, len(table), states))  # what following it has put into the states expected next
    seen = weighed = np.zeros((2, rows, len(table)))
    for back in range(min(WINDOW, rows)):
        now = looks[back:]
        if back:
            expected, seen, weighed = expected[:, :-1], seen[:, :-1], weighed[:, :-1]
            left = -expected @ model.design.T
            left[0] += table
        pull = left @ now.weight
        seen = seen + np.einsum("wnjf,nf->wnj", pull, now.off)
        weighed = weighed + np.einsum("wnjf,wnjf->wnj", pull, left)
        expected = expected @ model.transition.T + left @ now.reach.transpose(0, 2, 1)
        size[:, back:, back] = np.divide(seen, weighed, where=weighed > 0, out=np.zeros_like(seen))
        sure[:, back:, back] = size[:, back:, back] * np.sqrt(weighed)
    return Signs(sure[0], sure[1], size[0])
