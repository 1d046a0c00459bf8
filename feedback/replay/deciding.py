"""Cuts the deciding of many settings into tasks, has them done, and puts their outcomes together again.

A process that does a task imports this module: it loads nothing that deciding does not need.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Any

import numpy as np

from feedback.replay.lanes import Lanes, side_by_side
from feedback.replay.many import Outcome, decide_many
from feedback.replay.workers import done
from rules.limits import Limits

Progress = Callable[[int, int], None]

WORTH_A_PROCESS = 10_000_000  # decisions: below, starting a process takes longer than it saves (measured)
CELLS_AT_ONCE = 5_000  # lanes times settings: many enough for numpy, few enough for a processor's own memory (measured)
TASKS_ON_A_CLUSTER = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Power:
    """Where the work is done: in so many processes here, or on the cluster with this scheduler."""

    workers: int = 1
    dask: str | None = None
    progress: Progress | None = None


ALONE = Power()


@dataclass(frozen=True, slots=True)
class Task:
    """Some lanes under some settings: for every setting the limits of every lane."""

    some: tuple[Lanes, ...]
    each: tuple[tuple[Limits, ...], ...]


def work(task: Task) -> Outcome:
    """The outcome of one task, wherever it is done."""
    return decide_many(side_by_side(task.some), task.each)


def outcomes(some: Sequence[Lanes], settings: Sequence[Sequence[Limits]], power: Power = ALONE) -> Outcome:
    """What came of every setting; `settings` give for each the limits of all lanes of `some` in their order."""
    workers = power.workers if _cells(some) * len(settings) >= WORTH_A_PROCESS else 1
    starts = np.cumsum([0, *(len(one.names) for one in some)])
    tasks = max(workers if power.dask is None else TASKS_ON_A_CLUSTER, -(-starts[-1] * len(settings) // CELLS_AT_ONCE))
    portions = _cut(len(some), tasks)
    slices = _cut(len(settings), -(-tasks // len(portions)))
    results = done(
        work,
        [
            Task(
                tuple(some[low:high]),
                tuple(tuple(limits[starts[low] : starts[high]]) for limits in settings[begin:end]),
            )
            for begin, end in slices
            for low, high in portions
        ],
        workers=workers,
        dask=power.dask,
        progress=power.progress,
    )
    rows = [beside(results[k : k + len(portions)]) for k in range(0, len(results), len(portions))]
    return behind(rows)


def _cells(some: Sequence[Lanes]) -> int:
    return sum(one.error_um.size for one in some)


def _cut(length: int, count: int) -> list[tuple[int, int]]:
    """`length` in `count` pieces or fewer, none of them empty."""
    edges = [round(k * length / min(count, length)) for k in range(min(count, length) + 1)]
    return list(pairwise(edges))


def beside(some: Sequence[Outcome]) -> Outcome:
    """Outcomes of different lanes under the same settings as one."""
    starts = np.cumsum([0, *(len(one.names) for one in some)])
    values: dict[str, Any] = {}
    for field in fields(Outcome):
        columns = [getattr(one, field.name) for one in some]
        if field.name == "lane_of":
            columns = [column + start for column, start in zip(columns, starts, strict=False)]
        values[field.name] = _together(columns, 1 if field.name in _BY_BLOCK else 0)
    return Outcome(**values)


_BY_BLOCK = frozenset({"read", "squares", "outside", "parts", "corrections", "held", "stopped"})
_BY_SETTING = frozenset({"squares", "outside", "room_um", "corrections", "held", "stopped", "alarms"})


def behind(some: Sequence[Outcome]) -> Outcome:
    """Outcomes of the same lanes under different settings as one."""
    values = {field.name: getattr(some[0], field.name) for field in fields(Outcome)}
    for name in _BY_SETTING:
        values[name] = np.concatenate([getattr(one, name) for one in some], axis=-1)
    return Outcome(**values)


def _together(columns: Sequence[Any], axis: int) -> Any:
    if columns[0] is None:
        return None
    if isinstance(columns[0], tuple):
        return tuple(one for column in columns for one in column)
    return np.concatenate(columns, axis=axis)
