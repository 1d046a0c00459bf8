"""Is the front that `tune` shows worth having? Its settings in fresh closed loops, beside an oracle's front.

python -m tests.bench.front [--seeds 5] [--histories 1] [--parts 1000] [--scenario NAME ...]

The history of each scenario is log text, handed to a cell part by part with the default limits in force: every proposal
is accepted and keyed in after the scenario's lag, unless a new tool comes first, and a lock is released with the next
part, as a person would who looks at once (the fresh runs take that for granted too). The cell then tunes itself. Every
setting of the front it shows is played on fresh parts (other noise, other edges) by the product's trackers and rules,
and the oracle that knows noise, walks and wear plays on the same parts with every band and aim.

"later" is what tune reported on its later span, with the 95 % interval it states; "fresh" what the same stretch of
fresh runs gave, in the same readings. The ratio is that of the features as made, over all fresh parts, to the oracle's
at the same number of corrections. All of it well (`--seeds 10 --histories 3 --workers 2`) takes 15 minutes on two quiet
cores.
"""

import argparse
import os
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from math import isnan, sqrt
from pathlib import Path
from statistics import median
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

import feedback
from feedback.replay.lanes import BLOCKS
from feedback.replay.tuner import tune
from feedback.replay.tuning import CHOSEN_ON, Interval, Tried, Tuned, to_expect
from feedback.simulate.errors import SimulatedErrors
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.scenario import Scenario
from feedback.simulate.scenarios import SITUATIONS
from feedback.simulate.writer import cell_texts
from rules.limits import Limits
from tests.bench.bench_machine import BenchMachine, Floats
from tests.bench.control import GOAL_RMS, SCENARIOS, play_oracle
from tests.bench.score import Point, Score, rms_at
from tests.bench.superposed import INSPECTED, Filtered, close_loop, filtered, held_by_machine

FRESH = 1000  # seeds of fresh parts begin behind it
LONGER = {"rare-measurement": 2}  # times the parts: a fifth of them is too short to choose on


def main() -> None:
    options = argparse.ArgumentParser(prog="python -m tests.bench.front")
    options.add_argument("--seeds", type=int, default=5)
    options.add_argument("--histories", type=int, default=1)
    options.add_argument("--parts", type=int, default=1000)
    options.add_argument("--workers", type=int, default=1)
    options.add_argument("--scenario", nargs="+", choices=SCENARIOS, default=SCENARIOS)
    asked, _ = options.parse_known_args()
    print(f"front: {asked.histories} histories and {asked.seeds} fresh runs of {asked.parts} parts in each scenario")
    judge = partial(judged, parts=asked.parts, histories=asked.histories, seeds=asked.seeds)
    every: list[Judged] = []
    with ProcessPoolExecutor(max_workers=asked.workers) as pool:
        for name, found in zip(asked.scenario, pool.map(judge, asked.scenario), strict=True):
            print("\n".join(report(name, found)), flush=True)
            every += found
    print("\n" + "\n".join(summary("all scenarios", every)))


@dataclass(frozen=True)
class Row:
    """One setting of a front: what tune reported, and what fresh parts gave. RMS in um, corrections for 100 parts."""

    reported: Tried
    fresh: Point  # corrections, RMS of the readings, over the stretch of the later span
    ratio: float  # to the oracle's RMS; nan where the oracle needs more corrections at any setting

    @property
    def inside(self) -> tuple[bool, bool]:
        """Whether the fresh RMS and corrections lie in the intervals that tune states."""
        rms, corrections = to_expect(self.reported)
        return _within(self.fresh[1], rms), _within(self.fresh[0], corrections)


def _within(value: float, interval: Interval) -> bool:
    return interval[0] <= value <= interval[1]


@dataclass(frozen=True)
class Judged:
    """One history: the words of every scope, the rows of the tools' front (none where the past does not suffice), and
    of what is proposed, which need not lie on it.
    """

    words: Sequence[str]
    tuned: Tuned
    front: Sequence[Row]
    chosen: Row | None

    @property
    def rows(self) -> list[Row]:
        apart = [] if self.chosen is None or self.chosen in self.front else [self.chosen]
        return sorted([*self.front, *apart], key=lambda row: row.reported.first.corrections)


def judged(name: str, *, parts: int, histories: int, seeds: int) -> list[Judged]:
    """Every history of one scenario, on the same fresh parts."""
    parts *= LONGER.get(name, 1)
    fresh = Fresh(BenchMachine(SITUATIONS[name]), parts, range(FRESH + 1, FRESH + seeds + 1))
    return [_judged(tuned_cell(SITUATIONS[name], parts, seed), fresh) for seed in range(1, histories + 1)]


def _judged(found: Sequence[Tuned], fresh: "Fresh") -> Judged:
    (tools,) = [one for one in found if one.scope.name == "tool"]
    words = [f"{one.scope.name}: {one.words}" for one in found]
    shown = [] if tools.words.startswith("too ") else tools.front
    chosen = None if tools.chosen is None else fresh.row(tools.chosen)
    return Judged(words, tools, [fresh.row(one) for one in shown], chosen)


# The history ---------------------------------------------------------------------------------------------------------


def tuned_cell(scenario: Scenario, parts: int, seed: int) -> list[Tuned]:
    """What `tune` finds in a cell that has cut so many parts under the default limits."""
    with tempfile.TemporaryDirectory(prefix="trueup-bench-") as name:
        folder = Path(name)
        for file, text in cell_texts(scenario).items():
            path = folder / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="ascii")
        with feedback.open_cell(folder) as cell:
            _cut(cell, scenario, parts, seed)
            return tune(cell)


def _cut(cell: feedback.Cell, scenario: Scenario, parts: int, seed: int) -> None:
    """The scenario's lag and the operator's while pass before an entry; a new tool makes people forget it."""
    bench = BenchMachine(scenario)
    errors = bench.errors(parts, [seed])
    shop = SimulatedMachine(replace(scenario.setup(), lag=0), seed)
    waiting: dict[str, tuple[int, float]] = {}
    for number in range(parts):
        for column in np.flatnonzero(errors.is_zeroed[0, number]):
            waiting.pop(errors.registers[column], None)
        for register in [register for register, (due, _) in waiting.items() if due == number]:
            shop.enter_mm(register, waiting.pop(register)[1])
        text = shop.log_text(shop.cut())
        now = shop.at.replace(tzinfo=UTC) + timedelta(minutes=1)
        for register, new_mm in _accepted(cell, bench.machine.name, cell.feed(bench.machine.name, text, now=now), now):
            waiting[register] = (number + 1 + bench.delay, new_mm)


def _accepted(
    cell: feedback.Cell, machine: str, document: dict[str, Any], now: datetime
) -> Iterator[tuple[str, float]]:
    (answer,) = [one for one in document["machines"] if one["machine"] == machine]
    for decision in answer["decisions"]:
        if "locked" in decision:
            cell.release(f"{machine} {decision['register']}", by="pe", why="measured by hand, it works", now=now)
        proposal = decision.get("proposal")
        if proposal is not None and proposal["status"] == "open":
            cell.accept(proposal["id"], by="op1", now=now)
            yield decision["register"], proposal["new_mm"]


# The fresh parts -----------------------------------------------------------------------------------------------------


@dataclass
class Fresh:
    """Fresh parts of one scenario: settings played on them once, however many fronts show them."""

    bench: BenchMachine
    parts: int
    seeds: Sequence[int]
    _played: dict[Limits, tuple[Score, Point]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.errors = [self.bench.errors(self.parts, [seed]) for seed in self.seeds]
        self.runs = [[filtered(self.bench, group, errors) for group in self.bench.groups] for errors in self.errors]
        self.oracle = list(play_oracle(self.bench, self.bench.errors(self.parts, self.seeds)).values())

    def row(self, reported: Tried) -> Row:
        if reported.limits not in self._played:
            self._played[reported.limits] = self._play(reported.limits)
        made, fresh = self._played[reported.limits]
        return Row(reported, fresh, made.rms_um / rms_at([one.point for one in self.oracle], made.per_100))

    def _play(self, limits: Limits) -> tuple[Score, Point]:
        played = [self._play_one(*one, limits) for one in zip(self.errors, self.runs, strict=True)]
        scores, later = zip(*played, strict=True)
        total = scores[0]
        for one in scores[1:]:
            total += one
        corrections, mean_square = np.mean(later, axis=0)
        return total, (float(corrections), sqrt(mean_square))

    def _play_one(self, errors: SimulatedErrors, runs: Sequence[Filtered], limits: Limits) -> tuple[Score, Point]:
        """The score of all parts; corrections for 100 parts and mean square of readings over the later stretch."""
        outcomes = [(run.group, close_loop(run, limits, self.bench.delay, INSPECTED)) for run in runs]
        held_um = held_by_machine(errors, outcomes)
        entries = [one for _, outcome in outcomes for one in outcome.entries if one.register.kind == "tool"]
        start = self.parts * CHOSEN_ON // BLOCKS
        later = sum(one.part >= start for one in entries)
        off = self._read(errors, held_um)[start:]
        parts = int((~np.isnan(off)).any(axis=1).sum())  # as tune counts: those that were read
        total = self.bench.score(errors, held_um[None], len(entries))
        return total, (100 * later / parts, float(np.nanmean(np.square(off))))

    def _read(self, errors: SimulatedErrors, held_um: Floats) -> Floats:
        """(parts, features): the readings of what tools cut, from the centre of the tolerance."""
        off = errors.read_um[0] + held_um @ errors.moves - self.bench.centre_um
        return np.asarray(off[:, self.bench.is_cut], dtype=np.float64)


# What is printed -----------------------------------------------------------------------------------------------------


def report(name: str, found: Sequence[Judged]) -> Iterator[str]:
    """The tables of one scenario."""
    yield f"\n{name}: {SITUATIONS[name].words}"
    for one in found:
        yield from _table(one)
    yield from summary(name, found)


def _table(one: Judged) -> Iterator[str]:
    first, later = one.tuned.in_force.first.parts, one.tuned.in_force.later.parts
    yield f"  {len(one.tuned.tried)} settings tried, chosen on {first} parts, shown on the {later} after"
    if one.rows:
        yield f"    {'band  aim  step um  settle  evidence  confidence':<50} {'RMS um':>29} {'corrections/100':>30}"
        yield f"    {'':<50} {'later (95 %)':>22} {'fresh':>6} {'later (95 %)':>23} {'fresh':>6}  x oracle"
    yield from (f"    {_line(row)}{_mark(one.tuned, row)}" for row in one.rows)
    yield from (f"  {words}" for words in one.words)


def _line(row: Row) -> str:
    limits, later = row.reported.limits, row.reported.later
    rms, corrections = to_expect(row.reported)
    in_rms, in_corrections = row.inside
    return (
        f"{limits.band:>4.0%} {limits.aim:>4.0%} {limits.step_um:>8g} {limits.settle:>7} {limits.evidence:>9} "
        f"{limits.confidence:>11.0%}   {_both(later.rms_um, rms, row.fresh[1], in_rms)} "
        f"{_both(later.per_100, corrections, row.fresh[0], in_corrections)} {row.ratio:>5.2f}"
    )


def _both(reported: float, interval: Interval, fresh: float, is_inside: bool) -> str:
    mark = " " if is_inside else "!"
    return f"{reported:>6.2f} ({interval[0]:>5.2f} to {interval[1]:>5.2f}) {fresh:>6.2f}{mark}"


def _mark(tuned: Tuned, row: Row) -> str:
    return "  <- chosen" if row.reported is tuned.chosen else ""


def summary(name: str, found: Sequence[Judged]) -> Iterator[str]:
    """The goal and how near it is."""
    edge = [row for one in found for row in one.front]
    several = [row for row in edge if row.reported.limits.evidence > 1]
    chosen = [one.chosen for one in found if one.chosen is not None]
    for words, rows in (("front", edge), ("of it, on two parts and more", several), ("what is proposed", chosen)):
        ratios = [row.ratio for row in rows if not isnan(row.ratio)]
        if ratios:
            yield (
                f"  {name}: {words}: {len(ratios)} settings, RMS / oracle's at the same number: median "
                f"{median(ratios):.2f}, worst {max(ratios):.2f} (goal: both <= {GOAL_RMS:.2f})"
            )
    played = [row for one in found for row in one.rows]
    if played:
        rms, corrections = (sum(row.inside[k] for row in played) / len(played) for k in (0, 1))
        yield f"  {name}: inside the interval stated: RMS {rms:.0%}, corrections {corrections:.0%} of {len(played)}"


if __name__ == "__main__":
    main()
