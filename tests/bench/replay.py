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

from feedback.configuration.facts import Group, Machine
from feedback.configuration.groups import groups
from feedback.configuration.loading import from_texts
from feedback.follow import Happening, PartSeen, RegisterSeen, ToolSeen
from feedback.replay.following import followed
from feedback.replay.lanes import Lanes, lanes_of
from feedback.replay.many import Outcome
from feedback.replay.tuner import Power, outcomes
from rules.limits import Limits
from tests.bench.shop import (
    CORRECT_EVERY,
    PLAN,
    READINGS_A_PART,
    TOOL_LIFE,
    WEAR_UM,
    cell_text,
    make_cell,
    write_history,
)

GOAL_S, GOAL_SPEEDUP = 30.0, 1.7
NOISE_UM = (1.2, 1.2, 1.5, 3.0, 3.0)
SECOND_US = 1_000_000


def main() -> None:
    options = argparse.ArgumentParser(prog="python -m tests.bench.replay")
    options.add_argument("--readings", type=int, default=1_000_000)
    options.add_argument("--machines", type=int, default=50)
    options.add_argument("--settings", type=int, default=100)
    options.add_argument("--small", action="store_true")
    asked, _ = options.parse_known_args()
    if asked.small:
        asked.readings, asked.machines = asked.readings // 20, max(2, asked.machines // 20)
    print(f"replay: {asked.settings} settings on {asked.readings} readings of {asked.machines} machines, two cores")
    lanes, filter_s, lanes_s = pasts(asked.machines, asked.readings // READINGS_A_PART // asked.machines)
    print(f"  one filter pass {filter_s:.1f} s, columns for deciding {lanes_s:.1f} s (sums over two processes)")
    one_s, two_s = report_workers(lanes, asked.settings, filter_s)
    report_cluster(lanes, asked.settings)
    report_growth(lanes, asked.settings)
    report_whole(machines=max(2, asked.machines // 5), parts=asked.readings // READINGS_A_PART // asked.machines // 2)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    child_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"  peak memory {peak_mb:.0f} MB, largest worker {child_mb:.0f} MB")
    is_met = two_s <= GOAL_S and one_s / two_s >= GOAL_SPEEDUP
    print(f"  (goals: {GOAL_S:g} s with two workers, {GOAL_SPEEDUP:g} times one: {'met' if is_met else 'not met'})")


def report_workers(lanes: Sequence[Lanes], settings: int, filter_s: float) -> tuple[float, float]:
    each = limits_of(lanes, settings)
    (one_s, one), (two_s, two) = timed(lanes, each, Power(workers=1)), timed(lanes, each, Power(workers=2))
    print(f"  deciding: one process {one_s:.1f} s, two {two_s:.1f} s ({one_s / two_s:.2f} times)")
    print(f"  the same bytes from one process and two: {same(one, two)}")
    print(f"  deciding {settings} settings in two processes / one filter pass in two: {two_s / (filter_s / 2):.2f}")
    corrections = int(one.corrections[:-1].sum())
    print(f"  {corrections} corrections decided, {corrections / one_s:,.0f} a second and process")
    return one_s, two_s


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


def report_whole(machines: int, parts: int) -> None:
    """From the history of a cell to proposed limits, with nothing kept and again with the columns kept."""
    from feedback.cell import open_cell
    from feedback.replay import cache
    from feedback.replay.tuner import tune

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


# The pasts -----------------------------------------------------------------------------------------------------------


def pasts(machines: int, parts: int) -> tuple[list[Lanes], float, float]:
    """The lanes of all machines; seconds of filtering and of the columns, summed over two processes."""
    with ProcessPoolExecutor(2) as pool:
        done = list(pool.map(past_of, range(machines), [parts] * machines))
    return [one for lanes, _, _ in done for one in lanes], sum(s for _, s, _ in done), sum(s for _, _, s in done)


def past_of(number: int, parts: int) -> tuple[list[Lanes], float, float]:
    """One machine's lanes with the seconds they took."""
    machine, some = _plan()
    told = [(group, _happenings(group, parts, number)) for group in some]
    numbers = {part: part for part in range(parts)}
    began = time.perf_counter()
    found = [followed(group, machine, happenings, numbers, ()) for group, happenings in told]
    filtered = time.perf_counter()
    lanes = [lanes_of(past, SECOND_US, parts * SECOND_US) for past in found if past is not None]
    return lanes, filtered - began, time.perf_counter() - filtered


def _plan() -> tuple[Machine, list[Group]]:
    texts = {"cell.toml": cell_text(["M1"]), "parts/7001.toml": PLAN}
    configuration = from_texts(Path("cell"), texts)
    return configuration.machines["M1"], [group for group in groups(configuration, "M1") if group.registers]


def _happenings(group: Group, parts: int, seed: int) -> list[Happening]:
    """What `tests.bench.shop` prints of one group: wear, a hand correction every so often, edges changed on time."""
    noise = np.random.default_rng(seed).normal(0, NOISE_UM, (parts, READINGS_A_PART))
    use = np.arange(parts) % TOOL_LIFE
    lost = np.stack([WEAR_UM * (use + 1), WEAR_UM / 2 * (use + 1)], axis=1)
    entered = -np.round(lost[np.maximum(0, np.arange(parts) - use % CORRECT_EVERY - 1)])
    held = np.where((use >= CORRECT_EVERY)[:, None], entered, 0.0)
    off = lost + held
    read = np.stack([10.5 - 2 * off[:, 0], 12.5 - 2 * off[:, 0], off[:, 1], 0 * use, 0 * use], axis=1) + noise
    columns = [int(feature.id) - 1 for feature in group.features]
    found: list[Happening] = []
    for part in range(parts):
        at_us = (part + 1) * SECOND_US
        if part and use[part] == 0:
            found += [ToolSeen(tool=r.tool, at_us=at_us - 1, source="") for r in group.registers if r.tool is not None]
        found += [
            RegisterSeen(register=r, value=_mm(held[part], str(r)), at_us=at_us, source="") for r in group.registers
        ]
        deviations = {f.key: float(read[part, c]) for f, c in zip(group.features, columns, strict=True)}
        found.append(PartSeen(part_id=part, part=str(part), at_us=at_us, deviations=deviations))
    return found


def _mm(held_um: Any, name: str) -> Any:
    from decimal import Decimal

    column = {"tool 5 radius": 0, "tool 7 length": 1}.get(name)
    return Decimal(0) if column is None else Decimal(int(held_um[column])) / 1000


if __name__ == "__main__":
    main()
