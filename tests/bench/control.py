"""The closed loop: trueup against the hand rules of every shop and against a filter that knows everything.

python -m tests.bench.control [--seeds 20] [--parts 500] [--scenario NAME ...]

20 seeds of 500 parts in all eight scenarios take about 15 minutes on two quiet cores.

For each scenario and seed everybody works on the same parts. trueup does not know noise, walks or wear: its trackers
fit them as in the shop, and the real rules decide. Every proposal is accepted and entered after the scenario's lag; at
a part out of tolerance a person inspects it and enters what would have been proposed (in the row "nobody at the stops"
nobody does, and nothing is proposed there). Deviations are of the features as made, from the centre of their tolerance;
corrections are counted over all registers. "settled": without the first 25 parts of every edge.
"""

import argparse
import os
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from math import isnan
from statistics import median
from typing import NamedTuple

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from feedback.simulate.errors import SimulatedErrors
from feedback.simulate.scenarios import SITUATIONS
from rules.catalogue import RULES
from rules.limits import Limits
from rules.rule import Rule
from tests.bench.bench_machine import BenchMachine
from tests.bench.hand_rules import Ewma, LastPart, MeanOfThree, own_features
from tests.bench.oracle import OraclePolicy, expected_errors
from tests.bench.score import Score, corrections_at, front, rms_at
from tests.bench.superposed import INSPECTED, Filtered, close_loop, filtered, held_by_machine
from tests.bench.vector_loop import Policy, run_policy

SCENARIOS = (
    "steady",
    "noisy",
    "fast-wear",
    "long-lag",
    "break-in",
    "rare-measurement",
    "two-tools-sharing-features",
    "stable",
)
BANDS = (0.05, 0.10, 0.15, 0.20, 0.25, 0.30, 0.45, 0.60, 0.80)
# Of one band: aim, confidence, evidence. From the defaults to what a shop may set that trusts its wear and its probe.
STYLES = ((0.5, 0.99, 3), (1.0, 0.90, 3), (1.0, 0.90, 2), (1.0, 0.90, 1))
ORACLE_BANDS = (
    *(0.01, 0.02, 0.03, 0.05, 0.07, 0.10, 0.15, 0.20, 0.25, 0.30, 0.35, 0.40, 0.45, 0.50, 0.58, 0.65, 0.72, 0.80, 0.90),
    *(1.0, 1.15, 1.3, 1.5, 1.8),
)
ORACLE_AIMS = (0.0, 0.25, 0.5, 0.75, 1.0)
WEIGHTS = (0.1, 0.3, 0.4, 0.5, 0.6, 0.8)
GOAL_RMS, GOAL_CORRECTIONS, GOAL_STABLE = 1.10, 1.10, 1.0

NOTHING, LAST, HALF, MEAN, EWMA = "no correction", "full, each last part", "outside half", "mean of three", "EWMA 0.2"
HAND = (LAST, HALF, MEAN, EWMA)
ALONE = "trueup, nobody at the stops"


class Setting(NamedTuple):
    """Limits of trueup that the bench varies."""

    band: float
    aim: float
    confidence: float
    evidence: int

    @property
    def limits(self) -> Limits:
        return Limits(**self._asdict())


DEFAULT = Setting(Limits().band, Limits().aim, Limits().confidence, Limits().evidence)
SETTINGS = dict.fromkeys((DEFAULT, *(Setting(band, *style) for band, style in product(BANDS, STYLES))))

Key = str | Setting | tuple[str, float, float]
Scores = Mapping[Key, Score]


def main() -> None:
    options = argparse.ArgumentParser(prog="python -m tests.bench.control")
    options.add_argument("--seeds", type=int, default=20)
    options.add_argument("--parts", type=int, default=500)
    options.add_argument("--scenario", nargs="+", choices=SCENARIOS, default=SCENARIOS)
    asked, _ = options.parse_known_args()
    print(f"control: closed loops of {asked.parts} parts under {asked.seeds} seeds each")
    for name, scores in play(asked.scenario, asked.parts, range(1, asked.seeds + 1)):
        print("\n".join(report(name, scores)), flush=True)


def play(names: Sequence[str], parts: int, seeds: Sequence[int]) -> Iterator[tuple[str, Scores]]:
    """Every scenario with the scores of all rules and settings, summed over the seeds."""
    with ProcessPoolExecutor(max_workers=2) as pool:
        running = {
            name: [
                pool.submit(play_rivals, name, parts, seeds),
                *(pool.submit(play_trueup, name, parts, seed) for seed in seeds),
            ]
            for name in names
        }
        for name, tasks in running.items():
            totals: dict[Key, Score] = {}
            for task in tasks:
                for key, one in task.result().items():
                    totals[key] = totals[key] + one if key in totals else one
            yield name, totals


def play_rivals(name: str, parts: int, seeds: Sequence[int]) -> dict[Key, Score]:
    """Hand rules and the oracle under all seeds of one scenario together."""
    bench = BenchMachine(SITUATIONS[name])
    errors = bench.errors(parts, seeds)
    scores: dict[Key, Score] = {NOTHING: bench.score(errors, np.zeros_like(errors.untouched_um), 0)}
    scores |= {key: _played(bench, errors, policy) for key, policy in _rivals(bench, errors)}
    return scores | play_oracle(bench, errors)


def play_oracle(bench: BenchMachine, errors: SimulatedErrors) -> dict[Key, Score]:
    """The oracle with every band and aim, on all seeds of `errors` together."""
    expected_um = expected_errors(bench, errors)
    return {
        ("oracle", band, aim): _played(bench, errors, OraclePolicy(expected_um, bench.band_um(band), aim))
        for band, aim in product(ORACLE_BANDS, ORACLE_AIMS)
    }


def _played(bench: BenchMachine, errors: SimulatedErrors, policy: Policy) -> Score:
    setup = bench.scenario.setup()
    steps = np.array([setup.step_um(register) for register in setup.registers])
    held_um, corrections = run_policy(policy, errors, bench.centre_um, steps, bench.delay)
    return bench.score(errors, held_um, corrections)


def play_trueup(name: str, parts: int, seed: int) -> dict[Key, Score]:
    """trueup under one seed of one scenario, with every setting of the limits."""
    bench = BenchMachine(SITUATIONS[name])
    return dict(_trueup(bench, bench.errors(parts, [seed])))


def _rivals(bench: BenchMachine, errors: SimulatedErrors) -> Iterator[tuple[Key, Policy]]:
    own, seeds = own_features(bench), len(errors.read_um)
    yield LAST, LastPart(own)
    yield HALF, LastPart(own, bench.half_um / 2)
    yield MEAN, MeanOfThree(own).start(seeds)
    yield EWMA, Ewma(own, 0.2).start(seeds)
    for weight in WEIGHTS:
        yield ("ewma", weight, 0.0), Ewma(own, weight).start(seeds)


def _trueup(bench: BenchMachine, errors: SimulatedErrors) -> Iterator[tuple[Key, Score]]:
    runs = [filtered(bench, group, errors) for group in bench.groups]
    for setting in SETTINGS:
        yield setting, trueup_score(bench, errors, runs, setting.limits, INSPECTED)
    yield ALONE, trueup_score(bench, errors, runs, Limits(), RULES)


def trueup_score(
    bench: BenchMachine,
    errors: SimulatedErrors,
    runs: Sequence[Filtered],
    limits: Limits,
    rules: Sequence[Rule],
    *,
    watch_effects: bool = True,
) -> Score:
    """trueup on all groups of one seed under one setting."""
    outcomes = [(run.group, close_loop(run, limits, bench.delay, rules, watch_effects=watch_effects)) for run in runs]
    corrections = sum(len(outcome.entries) for _, outcome in outcomes)
    false_alarms = sum(outcome.false_alarms for _, outcome in outcomes)
    return bench.score(errors, held_by_machine(errors, outcomes)[None], corrections, false_alarms)


# What is printed ------------------------------------------------------------------------------------------------------


def report(name: str, scores: Scores) -> Iterator[str]:
    """The tables of one scenario."""
    yield f"\n{name}: {SITUATIONS[name].words}"
    yield f"  {'':<38} {'RMS um':>8} {'settled':>8} {'95 % um':>8} {'out %':>7} {'corr/100':>9}"
    yield from (_line(words, scores[key]) for words, key in _rows(scores))
    own = scores[DEFAULT]
    if name == "stable":
        yield f"  proposals per 1,000 parts: {10 * own.per_100:.2f} (goal: <= {GOAL_STABLE:g})"
        return
    yield f"  changes wrongly said not to work: {own.false_alarms} of {own.corrections}"
    for what in ("all parts", "settled"):
        yield from _comparison(scores, what)


def _rows(scores: Scores) -> Iterator[tuple[str, Key]]:
    yield from ((words, words) for words in (NOTHING, *HAND))
    good = min((key for key in scores if _kind(key) == "ewma"), key=lambda key: scores[key].rms_um)
    yield f"EWMA {good[1]} (best of {len(WEIGHTS)})", good
    yield f"trueup, defaults (band {DEFAULT.band:.0%}, aim {DEFAULT.aim:.0%})", DEFAULT
    yield ALONE, ALONE
    best = _best_oracle(scores)
    if best is not None:
        yield f"oracle, band {best[1]:.0%}, aim {best[2]:.0%}", best


def _best_oracle(scores: Scores) -> Key | None:
    """The oracle's best setting that corrects no more often than trueup with its defaults."""
    most = scores[DEFAULT].per_100
    able = [key for key, one in scores.items() if _kind(key) == "oracle" and one.per_100 <= most]
    return min(able, key=lambda key: scores[key].rms_um, default=None)


def _line(words: str, one: Score) -> str:
    return (
        f"  {words:<38} {one.rms_um:>8.2f} {one.settled_um:>8.2f} {one.p95_um:>8.2f} {100 * one.out_share:>7.2f} "
        f"{one.per_100:>9.2f}"
    )


def _comparison(scores: Scores, what: str) -> Iterator[str]:
    points = _points(scores, what)
    oracle, trueup = points["oracle"], points["trueup"]
    corrections, rms = trueup[DEFAULT]
    ours, theirs = list(trueup.values()), list(oracle.values())
    ratios = {key: trueup[key][1] / rms_at(theirs, trueup[key][0]) for key in trueup}
    on_front = _on_front(trueup)
    yield f"  {what}: front (band aim confidence evidence: corrections per 100, RMS um, x oracle)"
    for key in on_front:
        yield _of_front(key, trueup[key], ratios[key])
    yield (
        f"  {what}: RMS / oracle's at the same number (goal: <= {GOAL_RMS:.2f}): defaults "
        f"{rms / rms_at(theirs, corrections):.2f}; front of"
    )
    for least in sorted({setting.evidence for setting in SETTINGS}):
        allowed: dict[Key, tuple[float, float]] = {
            key: point for key, point in trueup.items() if isinstance(key, Setting) and key.evidence >= least
        }
        found = [ratios[key] for key in _on_front(allowed)]
        yield f"    evidence {least} and more: median {median(found):.2f}, worst {max(found):.2f}"
    yield f"  {what}: corrections / oracle's at each hand rule's own RMS (goal: <= {GOAL_CORRECTIONS:.2f})"
    yield from (f"    {_at_their_rms(name, point, ours, theirs)}" for name, point in points["hand"].items())


def _on_front(points: Mapping[Key, tuple[float, float]]) -> list[Key]:
    edge = front(list(points.values()))
    return [key for key in sorted(points, key=lambda key: points[key]) if points[key] in edge]


def _of_front(key: Key, point: tuple[float, float], ratio: float) -> str:
    assert isinstance(key, Setting)
    at = "  <- defaults" if key == DEFAULT else ""
    setting = f"{key.band:>4.0%} {key.aim:>4.0%} {key.confidence:>4.0%} {key.evidence}"
    return f"    {setting}: {point[0]:>6.2f} {point[1]:>7.3f} {ratio:>6.2f}{at}"


def _points(scores: Scores, what: str) -> dict[str, dict[Key, tuple[float, float]]]:
    points: defaultdict[str, dict[Key, tuple[float, float]]] = defaultdict(dict)
    for key, one in scores.items():
        points[_kind(key)][key] = (one.per_100, one.rms_um if what == "all parts" else one.settled_um)
    return points


def _kind(key: Key) -> str:
    if isinstance(key, Setting):
        return "trueup"
    if isinstance(key, tuple):
        return key[0]
    return "hand" if key in HAND else "other"


def _at_their_rms(
    name: Key, point: tuple[float, float], ours: list[tuple[float, float]], theirs: list[tuple[float, float]]
) -> str:
    mine, best = corrections_at(ours, point[1]), corrections_at(theirs, point[1])
    at = f"{name} ({point[1]:.2f} um at {point[0]:.0f})"
    if isnan(best) or not best:
        return f"{at}: no oracle is so good"
    if isnan(mine):
        return f"{at}: trueup not so good at any setting tried, oracle {best:.1f}"
    return f"{at}: {mine:.1f} / {best:.1f} = {mine / best:.2f}"


if __name__ == "__main__":
    main()
