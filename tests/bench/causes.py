"""Which causes are told apart, how soon and how often wrongly: single faults and pairs, on a machine well known.

python -m tests.bench.causes [--faults 2000] [--doubles 500] [--seed 1] [--workers 2]

Sizes are multiples of the scatter of one reading; "own" is the fault's own size in feedback.simulate.faults. A drift
(wear, warm-up, probe-drift) reaches its size after 20 parts only, so within three parts hardly anything of it shows.
"""

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from math import ceil

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from feedback.simulate.faults import FAULTS, single_fault
from feedback.simulate.scenario import Scenario
from rules.evidence import Cause
from tests.bench.causes_drive import PARTS, Said, WarmMachine, together

SIZES = (2.0, 3.0, 4.0, 6.0)
SOON = 3  # parts
NAMES: tuple[Cause, ...] = (
    *("none", "wear", "new-edge", "part-moved", "warm-up", "probe", "tool-broken", "outlier", "conflict", "unknown"),
)
DRIFTS = frozenset({"wear", "wear-length", "warm-up", "probe-drift"})
SHOWN = 10  # harmful proposals


@dataclass(frozen=True, slots=True)
class Case:
    """One fault or two, each with its size in multiples of the scatter, under one seed."""

    seed: int
    faults: tuple[tuple[str, float], ...]

    @property
    def scenario(self) -> Scenario:
        first, *rest = (single_fault(name, size) for name, size in self.faults)
        return together(first, rest[0]) if rest else first

    @property
    def causes(self) -> set[Cause]:
        return {FAULTS[name].cause for name, _ in self.faults}

    def __str__(self) -> str:
        return " with ".join(f"{name} {size:g}" for name, size in self.faults) + f", seed {self.seed}"


@dataclass(frozen=True, slots=True)
class Result:
    """What came of one case."""

    case: Case
    soon: Cause
    late: Cause
    harmful: tuple[Said, ...]
    is_proposed: bool


def singles(count: int, seed: int) -> Iterator[Case]:
    """At least `count` single faults: every fault at every size under as many seeds as that takes."""
    kinds = [(name, size) for name in FAULTS for size in (_sizes(name))]
    for k in range(ceil(count / len(kinds))):
        yield from (Case(seed + k, (kind,)) for kind in kinds)


def _sizes(name: str) -> tuple[float, ...]:
    own = FAULTS[name].size
    return (0.0,) if name == "none" else SIZES if own in SIZES else (*SIZES, own)


def doubles(count: int, seed: int, seeds: int) -> Iterator[Case]:
    """Two different causes at once, drawn at random, of the sizes that a single fault should be named at."""
    rng = np.random.default_rng([seed, 2])
    names = [name for name in FAULTS if name != "none"]
    drawn = 0
    while drawn < count:
        one, other = (names[k] for k in rng.choice(len(names), 2, replace=False))
        if FAULTS[one].cause != FAULTS[other].cause:
            sizes = rng.choice((4.0, 6.0, 10.0), 2).tolist()
            yield Case(seed + drawn % seeds, ((one, sizes[0]), (other, sizes[1])))
            drawn += 1


@lru_cache(maxsize=2)
def _warm(seed: int) -> WarmMachine:
    return WarmMachine(seed)


def result(case: Case) -> Result:
    """Run one case."""
    course = _warm(case.seed).course(case.scenario)
    return Result(
        case, course.named(SOON), course.named(PARTS), tuple(course.harmful(PARTS)), course.is_proposed(PARTS)
    )


def _of_one_seed(cases: list[Case]) -> list[Result]:
    return [result(case) for case in cases]


def results(cases: Iterable[Case], workers: int) -> list[Result]:
    """All cases, those of one seed in one process, since warming is what takes the time."""
    by_seed: dict[int, list[Case]] = {}
    for case in cases:
        by_seed.setdefault(case.seed, []).append(case)
    if workers == 1:
        return [one for cases in by_seed.values() for one in _of_one_seed(cases)]
    with ProcessPoolExecutor(workers) as pool:
        return [one for some in pool.map(_of_one_seed, by_seed.values()) for one in some]


def is_right(named: Cause, case: Case) -> bool:
    return named in case.causes


def is_wrong(named: Cause, case: Case) -> bool:
    """A cause that is not there was named; to say nothing, or that it is not known, is no wrong name."""
    return named not in case.causes and named not in ("none", "unknown")


def table(found: list[Result], *, late: bool) -> Iterator[str]:
    """The confusion matrix: rows are faults by size, columns the cause named last."""
    words = "".join(f"{_short(name):>8}" for name in NAMES)
    yield f"  {'fault':<22}{'size':>5}{'runs':>6} {words}   right  wrong unnamed harm"
    kinds = dict.fromkeys(one.case.faults[0] for one in found)
    for name, size in sorted(kinds, key=lambda kind: list(FAULTS).index(kind[0])):
        rows = [one for one in found if one.case.faults[0] == (name, size)]
        counts = Counter(one.late if late else one.soon for one in rows)
        cells = "".join(f"{counts[cause] or '.':>8}" for cause in NAMES)
        harm = sum(bool(one.harmful) for one in rows)
        yield f"  {name:<22}{size:>5g}{len(rows):>6} {cells}  {shares(rows, late=late)} {harm:>4}"


def _short(cause: Cause) -> str:
    return {"part-moved": "moved", "tool-broken": "broken"}.get(cause, cause)


def shares(rows: list[Result], *, late: bool) -> str:
    """Right, wrongly named and unnamed, of 100."""
    named = [(one.late if late else one.soon, one.case) for one in rows]
    right = sum(is_right(*pair) for pair in named)
    wrong = sum(is_wrong(*pair) for pair in named)
    return "".join(f"{100 * n / len(rows):>6.1f} " for n in (right, wrong, len(rows) - right - wrong))


def totals(found: list[Result]) -> Iterator[str]:
    """Against the goals."""
    at_four = [one for one in found if one.case.faults[0][1] == 4.0]
    at_once = [one for one in at_four if one.case.faults[0][0] not in DRIFTS]
    six = [one for one in found if one.case.faults[0][1] >= 6.0 and one.case.faults[0][0] not in DRIFTS]
    for words, rows in (("4 sigma, all", at_four), ("4 sigma, at once", at_once), ("6 sigma or more, at once", six)):
        if rows:
            yield f"  {words:<26} right, wrong, unnamed within {SOON}: {shares(rows, late=False)} {_goal(words)}"
            yield f"  {'':<26} right, wrong, unnamed within {PARTS}: {shares(rows, late=True)}"


def _goal(words: str) -> str:
    return "(goal: right >= 95, wrong <= 1)" if words.startswith("4") else ""


def harm(found: list[Result]) -> Iterator[str]:
    """How often a proposal would have done harm, and how to see it again."""
    worse = [one for one in found if one.harmful]
    proposed = sum(one.is_proposed for one in found)
    yield f"  runs with a proposal: {proposed}; with a harmful one: {len(worse)} (goal 0)"
    for one in worse[:SHOWN]:
        said = one.harmful[0]
        yield (
            f"    {one.case}: {said.register} by {said.change_um:+.0f} um for {said.error_um:+.1f}"
            f" +- {said.sd_um:.1f}, truly {said.true_um:+.1f}; cause {said.cause}"
        )


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--faults", type=int, default=2000)
    options.add_argument("--doubles", type=int, default=500)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--workers", type=int, default=2)
    asked = options.parse_args()
    began = time.perf_counter()
    single = list(singles(asked.faults, asked.seed))
    seeds = len({case.seed for case in single})
    double = list(doubles(asked.doubles, asked.seed, max(1, seeds)))
    found = results([*single, *double], asked.workers)
    alone = [one for one in found if len(one.case.faults) == 1]
    paired = [one for one in found if len(one.case.faults) == 2]
    out = [f"causes: {len(alone)} single faults and {len(paired)} pairs on {seeds} machines known for 40 good parts"]
    for late, parts in ((False, SOON), (True, PARTS)):
        out += [f"the cause named within {parts} parts", *table(alone, late=late)]
    out += ["single faults", *totals(alone), *harm(alone)]
    if paired:
        out += ["pairs: right is either of the two"]
        out += [f"  within {n}: {shares(paired, late=late)}" for late, n in ((False, SOON), (True, PARTS))]
        out += harm(paired)
    sys.stdout.write("\n".join(out) + f"\n  {time.perf_counter() - began:.0f} s\n")


if __name__ == "__main__":
    main()
