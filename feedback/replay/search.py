"""Which settings to try: a coarse grid, then along the front that it has found. Pure.

A Pareto local search (Paquete 2004). Everything at once would be some ten thousand settings, nearly all of them far
from any front.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import product
from typing import Final

from feedback.replay.tuning import Goal, Tried, front, pick
from rules.limits import Limits

BANDS: Final = (0.10, 0.15, 0.20, 0.25, 0.30, 0.40, 0.50, 0.60, 0.80)
FINER_BANDS: Final = (*BANDS, 0.12, 0.17, 0.22, 0.27, 0.35, 0.45, 0.55, 0.70)
AIMS: Final = (0.0, 0.5, 1.0)
CONFIDENCES: Final = (0.90, 0.99)
FINER_CONFIDENCES: Final = (0.80, *CONFIDENCES, 0.95)
EVIDENCES: Final = (1, 2, 3, 5)  # more comes too late at every new edge
SETTLES: Final = (1, 2, 4)
STEPS: Final = (0.5, 1.0, 2.0)  # of the step in force


def first_settings(now: Limits) -> list[Limits]:
    """Those in force, and a grid over band, aim and confidence."""
    grid = [replace(now, band=b, aim=a, confidence=c) for b, a, c in product(BANDS, AIMS, CONFIDENCES)]
    return [now, *(one for one in grid if one != now)]


def other_evidence(some: Sequence[Tried], goal: Goal) -> list[Limits]:
    """Along the front: the same settings on other evidence. What it is worth depends on the band."""
    return _new(some, (replace(one, evidence=count) for one in _along(some, goal) for count in EVIDENCES))


def nearer(some: Sequence[Tried], goal: Goal) -> list[Limits]:
    """Along the front: bands and confidences between those of the grid."""
    edge = _along(some, goal)
    bands = [replace(one, band=band) for one in edge for band in _beside(one.band, FINER_BANDS)]
    sure = [replace(one, confidence=share) for one in edge for share in _beside(one.confidence, FINER_CONFIDENCES)]
    return _new(some, [*bands, *sure])


def beside_the_choice(some: Sequence[Tried], goal: Goal) -> list[Limits]:
    """Around what would be chosen: band, evidence and confidence moved together, since each can pay for another."""
    chosen = pick(some, goal).limits
    bands = (chosen.band, *_beside(chosen.band, FINER_BANDS))
    counts = (chosen.evidence, *_beside(chosen.evidence, EVIDENCES))
    sure = (chosen.confidence, *_beside(chosen.confidence, FINER_CONFIDENCES))
    moved = product(bands, counts, sure)
    return _new(some, (replace(chosen, band=b, evidence=int(n), confidence=c) for b, n, c in moved))


def other_steps(some: Sequence[Tried], goal: Goal) -> list[Limits]:
    """Around what would be chosen: other settling, another step."""
    now, chosen = some[0].limits, pick(some, goal).limits
    steps = [min(now.travel_um, now.step_um * share) for share in STEPS]
    return _new(some, (replace(chosen, settle=settle, step_um=step) for settle, step in product(SETTLES, steps)))


Round = Callable[[Sequence[Tried], Goal], list[Limits]]
ROUNDS: Final[Sequence[Round]] = (other_evidence, nearer, beside_the_choice, other_steps)
"""One after the other: the settings not tried yet that are worth trying, by what was tried so far."""


def _along(some: Sequence[Tried], goal: Goal) -> list[Limits]:
    """The front, and what would be chosen: it need not lie there, as no more is proposed than `pick` allows."""
    return [one.limits for one in (*front(some), pick(some, goal))]


def _beside(value: float, ladder: Sequence[float]) -> list[float]:
    """The rungs next to a value, below and above."""
    below, above = (one for one in ladder if one < value), (one for one in ladder if one > value)
    return [one for one in (max(below, default=None), min(above, default=None)) if one is not None]


def _new(some: Sequence[Tried], found: Iterable[Limits]) -> list[Limits]:
    known = {one.limits for one in some}
    return [one for one in dict.fromkeys(found) if one not in known]
