"""Many settings of the limits on a long past of many machines: seconds, workers, growth, memory.

python -m tests.bench.replay [--readings 1000000] [--machines 50] [--settings 100] [--small]

The pasts are those of a shop with steady wear, hand corrections and edges changed on time (tests/bench/shop.py),
filtered once by the product's own follower. Deciding is timed by itself, with one process and with two, on a Dask
cluster reached by its address, and set beside the one pass of the filter. Then a whole `tune` of a cell folder whose
past nobody has looked at yet, from the history to the proposal. `--small` is a twentieth of everything, for a busy
machine.
"""

import argparse
import os
import resource
import shutil
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from feedback.replay.deciding import Power, outcomes
from feedback.replay.lanes import Lanes
from feedback.replay.many import Outcome
from rules.limits import Limits

GOAL_S, GOAL_SPEEDUP = 30.0, 1.7
ARRAY_ROUNDS = 10_000
READINGS_A_PART = 5  # of tests.bench.shop, which a timed process need not load


def main() -> None:
    options = argparse.ArgumentParser(prog="python -m tests.bench.replay")
    options.add_argument("--readings", type=int, default=1_000_000)
    options.add_argument("--machines", type=int, default=50)
    options.add_argument("--settings", type=int, default=100)
    options.add_argument("--small", action="store_true")
    asked, _ = options.parse_known_args()
    from tests.bench.pasts import pasts

    if asked.small:
        asked.readings, asked.machines = asked.readings // 20, max(2, asked.machines // 20)
    print(f"replay: {asked.settings} settings on {asked.readings} readings of {asked.machines} machines, two cores")
    lanes, filter_s, lanes_s = pasts(asked.machines, asked.readings // READINGS_A_PART // asked.machines)
    print(f"  one filter pass {filter_s:.1f} s, columns for deciding {lanes_s:.1f} s (sums over two processes)")
    one_s, two_s = report_workers(lanes, asked.settings, filter_s)
    report_cluster(lanes, asked.settings)
    report_growth(lanes, asked.settings)
    gain = report_whole(max(2, asked.machines // 5), asked.readings // READINGS_A_PART // asked.machines // 2)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    child_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"  peak memory {peak_mb:.0f} MB, largest worker {child_mb:.0f} MB")
    print(f"  (goals: deciding within {GOAL_S:g} s: {two_s:.1f}; two workers {GOAL_SPEEDUP:g} times one: ", end="")
    print(f"deciding alone {one_s / two_s:.2f}, a whole tune {gain:.2f})")


def report_workers(lanes: Sequence[Lanes], settings: int, filter_s: float) -> tuple[float, float]:
    print(f"  two processes of plain array arithmetic on this computer: {ceiling():.2f} times one")
    each = limits_of(lanes, settings)
    (one_s, one), (two_s, two) = timed(lanes, each, Power(workers=1)), timed(lanes, each, Power(workers=2))
    print(f"  deciding: one process {one_s:.1f} s, two {two_s:.1f} s ({one_s / two_s:.2f} times)")
    print(f"  the same bytes from one process and two: {same(one, two)}")
    print(f"  deciding {settings} settings in two processes / one filter pass in two: {two_s / (filter_s / 2):.2f}")
    corrections = int(one.corrections[:-1].sum())
    print(f"  {corrections} corrections decided, {corrections / one_s:,.0f} a second and process")
    return one_s, two_s


def ceiling() -> float:
    """What a second process gains here for sums over arrays as large as those of deciding, nothing to start or send."""
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(array_work, [1, 1]))
        began = time.perf_counter()
        pool.submit(array_work, ARRAY_ROUNDS).result()
        one_s = time.perf_counter() - began
        began = time.perf_counter()
        list(pool.map(array_work, [ARRAY_ROUNDS] * 2))
        return 2 * one_s / (time.perf_counter() - began)


def array_work(rounds: int) -> float:
    rng = np.random.default_rng(1)
    table, place = rng.normal(size=400_000), rng.integers(0, 400_000, 10_000)
    total = 0.0
    for _ in range(rounds):
        total += float(np.where(table[place] > 0.5, table[place] * 2.0, 1.0).sum())
    return total


def report_cluster(lanes: Sequence[Lanes], settings: int) -> None:
    """A scheduler and two workers on this computer, reached as a distant one would be."""
    import distributed

    each = limits_of(lanes, settings)
    _, here = timed(lanes, each, Power(workers=2))
    local: Any = distributed.LocalCluster
    cluster = local(n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True)
    try:
        seconds, there = timed(lanes, each, Power(dask=cluster.scheduler_address))
    finally:
        cluster.close()
    print(f"  on a Dask cluster by its address: {seconds:.1f} s, same bytes: {same(here, there)}")


def report_growth(lanes: Sequence[Lanes], settings: int) -> None:
    """Less past, and fewer or more settings, in two processes."""
    rows = int(lanes[0].rows[0])
    print(f"  {'readings':>10} {'settings':>9} {'seconds':>8}")
    machines = len(lanes) // 4
    for share in (0.01, 0.1, 1.0):
        some = [cut(one, max(50, int(rows * share))) for one in lanes]
        readings = max(50, int(rows * share)) * READINGS_A_PART * machines
        seconds, _ = timed(some, limits_of(some, settings), Power(workers=2))
        print(f"  {readings:>10} {settings:>9} {seconds:>8.2f}")
    some = [cut(one, max(50, rows // 10)) for one in lanes]
    for count in (1, 10, 100, 1000):
        seconds, _ = timed(some, limits_of(some, count), Power(workers=2))
        print(f"  {max(50, rows // 10) * READINGS_A_PART * machines:>10} {count:>9} {seconds:>8.2f}")


def report_whole(machines: int, parts: int) -> float:
    """From the history of a cell to proposed limits, nothing kept and then again; what a second process gains."""
    from feedback.cell import open_cell
    from feedback.replay import cache
    from feedback.replay.tuner import tune
    from tests.bench.shop import make_cell, write_history

    with TemporaryDirectory() as scratch:
        folder = Path(scratch) / "cell"
        make_cell(folder, machines)
        for i in range(machines):
            write_history(folder, f"M{i + 1}", parts, i, datetime(2026, 1, 5, 6, 0, tzinfo=UTC))
        with open_cell(folder) as cell:
            cell.process()
            seconds = {}
            for workers in (1, 2):
                shutil.rmtree(folder / "state" / cache.FOLDER, ignore_errors=True)
                began = time.perf_counter()
                tune(cell, power=Power(workers=workers))
                seconds[workers] = time.perf_counter() - began
            began = time.perf_counter()
            tune(cell, power=Power(workers=2))
            again_s = time.perf_counter() - began
    print(
        f"  a whole tune, {machines * parts * READINGS_A_PART} readings of {machines} machines: one process "
        f"{seconds[1]:.1f} s, two {seconds[2]:.1f} s ({seconds[1] / seconds[2]:.2f} times); again {again_s:.1f} s"
    )
    return seconds[1] / seconds[2]


def timed(lanes: Sequence[Lanes], each: Sequence[Sequence[Limits]], power: Power) -> tuple[float, Outcome]:
    began = time.perf_counter()
    outcome = outcomes(lanes, each, power)
    return time.perf_counter() - began, outcome


def same(one: Outcome, other: Outcome) -> bool:
    names = ("read", "squares", "outside", "room_um", "parts", "corrections", "held", "stopped", "alarms")
    return all(getattr(one, name).tobytes() == getattr(other, name).tobytes() for name in names)


def limits_of(lanes: Sequence[Lanes], count: int) -> list[list[Limits]]:
    """So many different settings, each for all lanes."""
    bands, aims, confidences = np.linspace(0.1, 0.8, max(1, round(count / 4))), (0.0, 1.0), (0.9, 0.99)
    found = [Limits(band=float(b), aim=a, confidence=c) for b, a, c in product(bands, aims, confidences)]
    width = sum(len(one.names) for one in lanes)
    return [[one] * width for one in found[:count]]


def cut(one: Lanes, rows: int) -> Lanes:
    """The first so many rows."""
    timed_columns = {
        name: getattr(one, name)[:rows] for name in one.__slots__ if getattr(one, name).__class__ is np.ndarray
    }
    own = {name: value for name, value in timed_columns.items() if len(getattr(one, name)) == len(one.error_um)}
    values = {name: getattr(one, name) for name in one.__slots__}
    return Lanes(**{**values, **own, "rows": np.minimum(one.rows, rows)})


if __name__ == "__main__":
    main()
