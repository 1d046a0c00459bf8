"""Which causes are told apart, how soon and how often wrongly: single faults and pairs, on a machine well known.

python -m tests.bench.causes [--faults 2000] [--doubles 500] [--seed 1] [--workers 2]

Sizes are multiples of the scatter of one reading; "own" is the fault's own size in feedback.simulate.faults. A drift
(wear, warm-up, probe-drift) reaches its size after 20 parts only, so within three parts of its beginning hardly
anything of it shows: against the goals it is judged within three parts of reaching its size.

Two rows stay out of the goals. A broken edge of 8 um is an edge of 8 um for any reading: only its size tells it from a
new edge, so it counts from its own size on. One reading 4 standard deviations off is a chip for nobody: among 18
readings a part a good one is as far off once in nine hundred parts, and to keep wrong names below one in a hundred
takes nearly five.
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
from typing import Literal

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from feedback.simulate.faults import DRIFT_PARTS, FAULTS, single_fault
from feedback.simulate.scenario import Scenario
from rules.evidence import Cause
from tests.bench.causes_drive import PARTS, Said, WarmMachine, together

SIZES = (2.0, 3.0, 4.0, 6.0)
SOON = 3  # parts
NAMES: tuple[Cause, ...] = (
    *("none", "wear", "new-edge", "part-moved", "warm-up", "probe", "tool-broken", "outlier", "conflict", "unknown"),
)
DRIFTS = frozenset({"wear", "wear-length", "warm-up", "probe-drift"})
NOT_TOLD_BY_SIZE = frozenset({"tool-broken", "outlier"})  # at the sizes of the goals; see above
GROWN = DRIFT_PARTS + SOON  # parts
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
    grown: Cause  # within three parts of having its whole size
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
    parts = GROWN if any(name in DRIFTS for name, _ in case.faults) else PARTS
    course = _warm(case.seed).course(case.scenario, parts)
    grown = course.named(GROWN if parts == GROWN else SOON)
    harmful, is_proposed = tuple(course.harmful(parts)), course.is_proposed(parts)
    return Result(case, course.named(SOON), course.named(PARTS), grown, harmful, is_proposed)


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


When = Literal["soon", "late", "grown"]


def table(found: list[Result], when: When) -> Iterator[str]:
    """The confusion matrix: rows are faults by size, columns the cause named last."""
    words = "".join(f"{_short(name):>8}" for name in NAMES)
    yield f"  {'fault':<22}{'size':>5}{'runs':>6} {words}   right  wrong unnamed harm"
    kinds = dict.fromkeys(one.case.faults[0] for one in found)
    for name, size in sorted(kinds, key=lambda kind: list(FAULTS).index(kind[0])):
        rows = [one for one in found if one.case.faults[0] == (name, size)]
        counts = Counter(named(one, when) for one in rows)
        cells = "".join(f"{counts[cause] or '.':>8}" for cause in NAMES)
        harm = sum(bool(one.harmful) for one in rows)
        yield f"  {name:<22}{size:>5g}{len(rows):>6} {cells}  {shares(rows, when)} {harm:>4}"


def _short(cause: Cause) -> str:
    return {"part-moved": "moved", "tool-broken": "broken"}.get(cause, cause)


def named(one: Result, when: When) -> Cause:
    return {"soon": one.soon, "late": one.late, "grown": one.grown}[when]


def shares(rows: list[Result], when: When) -> str:
    """Right, wrongly named and unnamed, of 100."""
    pairs = [(named(one, when), one.case) for one in rows]
    right = sum(is_right(*pair) for pair in pairs)
    wrong = sum(is_wrong(*pair) for pair in pairs)
    return "".join(f"{100 * n / len(rows):>6.1f} " for n in (right, wrong, len(rows) - right - wrong))


def totals(found: list[Result]) -> Iterator[str]:
    """Against the goals."""
    at_four = [one for one in found if one.case.faults[0][1] == 4.0 and _name(one) not in NOT_TOLD_BY_SIZE]
    at_once = [one for one in at_four if _name(one) not in DRIFTS]
    drifts = [one for one in at_four if _name(one) in DRIFTS]
    six = [one for one in found if one.case.faults[0][1] >= 6.0 and _name(one) not in DRIFTS]
    every = (
        ("4 sigma, all", at_four),
        ("4 sigma, at once", at_once),
        ("4 sigma, drifts", drifts),
        ("6 sigma or more, at once", six),
    )
    for words, rows in every:
        if rows:
            yield f"  {words:<26} right, wrong, unnamed once grown: {shares(rows, 'grown')} {_goal(words)}"
            yield f"  {'':<26} right, wrong, unnamed within {SOON} of its beginning: {shares(rows, 'soon')}"
            yield f"  {'':<26} right, wrong, unnamed within {PARTS} of its beginning: {shares(rows, 'late')}"


def _name(one: Result) -> str:
    return one.case.faults[0][0]


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


_WHEN: tuple[tuple[When, str], ...] = (
    ("soon", f"{SOON} parts"),
    ("late", f"{PARTS} parts"),
    ("grown", f"{SOON} parts of their whole size"),
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
    out += [f"the cause named within {SOON} parts of the fault", *table(alone, "soon")]
    out += [f"the cause named within {PARTS} parts of the fault", *table(alone, "late")]
    drifts = [one for one in alone if _name(one) in DRIFTS]
    out += [f"drifts: the cause named within {SOON} parts of reaching its size", *table(drifts, "grown")]
    out += ["single faults", *totals(alone), *harm(alone)]
    if paired:
        out += ["pairs: right is either of the two"]
        out += [f"  within {n}: {shares(paired, when)}" for when, n in _WHEN]
        out += harm(paired)
    sys.stdout.write("\n".join(out) + f"\n  {time.perf_counter() - began:.0f} s\n")


if __name__ == "__main__":
    main()
