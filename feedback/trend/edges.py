"""Where a new edge is expected to stand: what earlier edges in the same position were off by. Pure.

A set-up that is always 8 um too big is a property of how the shop sets its tools up; the next edge will be too.
"""

import math
from collections.abc import Mapping, Sequence
from statistics import fmean, variance
from typing import Any, NamedTuple

LEAST_EDGES = 3  # two that are alike may be chance
MOST_EDGES = 20  # older ones were set up by other people
EDGE_PARTS = 3  # parts after which an edge's own set-up error is known well enough to be remembered
LITTLE_LEARNT = 0.9  # share of the variance left above which those parts said nothing that was not assumed before
_TEN_PERCENT = -1.2816  # quantile of the normal distribution


class Guess(NamedTuple):
    """A normal distribution of a set-up error, um."""

    mean_um: float
    var: float


def learnt(before: Guess, after: Guess) -> Guess | None:
    """What the edge's own parts said, with the expectation that went in taken out again; None where that was nothing.

    Kept as it is, every estimate would carry the mean of those before it and the spread would shrink by itself.
    """
    if after.var >= LITTLE_LEARNT * before.var:
        return None
    var = 1 / (1 / after.var - 1 / before.var)
    return Guess(var * (after.mean_um / after.var - before.mean_um / before.var), var)


def expected(edges: Sequence[Guess], usual_um: float) -> Guess | None:
    """The next edge's set-up error after `edges`; None where they tell no more than the usual spread about zero.

    Their spread is taken at the upper end of its 80 % interval (chi-square), less what the estimates themselves are
    uncertain by, and never below that; the mean is drawn towards zero by its own uncertainty against the usual spread.
    """
    if len(edges) < LEAST_EDGES:
        return None
    count, own = len(edges), fmean(edge.var for edge in edges)
    spread = max(_upper_variance([edge.mean_um for edge in edges]) - own, own)
    of_mean = (spread + own) / count
    weight = usual_um**2 / (usual_um**2 + of_mean)
    var = spread + weight * of_mean
    return Guess(weight * fmean(edge.mean_um for edge in edges), var) if var < usual_um**2 else None


def _upper_variance(values: Sequence[float]) -> float:
    """The variance that chance exceeds in one case of ten, given these values.

    Quantile of chi-square by Wilson & Hilferty, Proc. Nat. Acad. Sci. 17 (1931) 684-688.
    """
    freedom = len(values) - 1
    part = 2 / (9 * freedom)
    chi_square = freedom * (1 - part + _TEN_PERCENT * math.sqrt(part)) ** 3
    return freedom * variance(values) / chi_square


class Edges:
    """The set-up errors of earlier edges by register, and what is expected of those that are still being met.

    A set-up error is a register's error less what the register holds, um: keying a value in does not change it.
    `snapshot()`, handed to the constructor, carries them over a restart.
    """

    def __init__(self, usual_um: float, snapshot: Mapping[str, Any] | None = None) -> None:
        self._usual_um = usual_um
        kept = snapshot or {"edges": {}, "met": {}}
        self._edges = {name: [Guess(*edge) for edge in edges] for name, edges in kept["edges"].items()}
        self._met = {name: Guess(*guess) for name, guess in kept["met"].items()}

    @property
    def being_met(self) -> tuple[str, ...]:
        """Registers with a new edge whose set-up error is still to be learnt."""
        return tuple(self._met)

    def begin(self, register: str) -> Guess | None:
        """A new edge stands there: its expected set-up error; None where it is like that of any new tool."""
        guess = expected(self._edges.get(register, ()), self._usual_um)
        self._met[register] = guess or Guess(0.0, self._usual_um**2)
        return guess

    def learn(self, register: str, found: Guess) -> None:
        """The new edge's set-up error as its first parts showed it, expectation included."""
        own = learnt(self._met.pop(register), found)
        if own is not None:
            self._edges[register] = [*self._edges.get(register, ()), own][-MOST_EDGES:]

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on later, as JSON-able values."""
        return {
            "edges": {name: [list(edge) for edge in edges] for name, edges in self._edges.items()},
            "met": {name: list(guess) for name, guess in self._met.items()},
        }
