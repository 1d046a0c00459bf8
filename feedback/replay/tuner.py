"""Runs the search for limits over a cell's past: filtered once, decided on many times, in several processes too."""

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from feedback.configuration.facts import LimitTable
from feedback.configuration.loading import LIMITS
from feedback.configuration.suggest import did_you_mean, listed
from feedback.errors import UsageError
from feedback.registers import register
from feedback.replay.lanes import Lanes, side_by_side
from feedback.replay.many import Outcome, decide_many
from feedback.replay.proposed import proposed
from feedback.replay.replaying import gather, with_limits
from feedback.replay.search import ROUNDS, first_settings
from feedback.replay.span import EVERYTHING, Span
from feedback.replay.tuning import Goal, Scope, Tried, Tuned, judged, tried
from feedback.replay.workers import done
from rules.limits import Limits

if TYPE_CHECKING:
    from feedback.cell import Cell

Progress = Callable[[int, int], None]

WORTH_A_PROCESS = 10_000_000  # decisions: below, starting a process takes longer than it saves (measured)
CELLS_AT_ONCE = (
    5_000  # lanes times settings: many enough for numpy, few enough for the processor's own memory (measured)
)
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
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    return decide_many(side_by_side(task.some), task.each)


def tune(
    cell: "Cell",
    *,
    register: str | None = None,
    span: Span = EVERYTHING,
    machines: Sequence[str] | None = None,
    goal: Goal = "tighter",
    power: Power = ALONE,
) -> list[Tuned]:
    """The search for every kind of register, or for one register ("M1 tool 5 radius").

    UsageError where the cell has no such register, and where there is nothing to look at.
    """
    found = gather(cell, machines, span, workers=power.workers, progress=power.progress)
    table = cell.configuration.limits
    return [
        _tuned([one for one in found.lanes if scope.lanes(one).any()], table, scope, goal, power)
        for scope in _scopes(found.lanes, register)
    ]


def _scopes(lanes: Sequence[Lanes], register: str | None) -> list[Scope]:
    if register is None:
        kinds = dict.fromkeys(kind for one in lanes for kind in one.kinds)
        return [Scope(kind, False) for kind in ("tool", "work", "rotary") if kind in kinds]
    names = [name for one in lanes for name in one.names]
    wanted = next((name for name in names if name.lower() == " ".join(register.split()).lower()), None)
    if wanted is None:
        raise UsageError(f"found register {register!r}; wanted one of {listed(names)}{did_you_mean(register, names)}")
    return [Scope(wanted, True)]


def _tuned(some: Sequence[Lanes], table: LimitTable, scope: Scope, goal: Goal, power: Power) -> Tuned:
    together = side_by_side(some)
    in_force = [_limits(table, name) for name in together.names]
    now = in_force[int(np.argmax(scope.lanes(together)))]
    results = _tried(some, together, in_force, scope, first_settings(now), power)
    for next_settings in ROUNDS:
        if more := next_settings(results, goal):
            results += _tried(some, together, in_force, scope, more, power)
    return judged(scope, results, goal)


def _tried(
    some: Sequence[Lanes],
    together: Lanes,
    in_force: Sequence[Limits],
    scope: Scope,
    each: Sequence[Limits],
    power: Power,
) -> list[Tried]:
    belongs = scope.lanes(together)
    settings = [tuple(limits if own else now for own, now in zip(belongs, in_force, strict=True)) for limits in each]
    return tried(outcomes(some, settings, power), together, scope, each)


def _limits(table: LimitTable, name: str) -> Limits:
    machine, _, rest = name.partition(" ")
    return table.for_register(machine, register(rest))


# Many tasks from one table, and one outcome from many ----------------------------------------------------------------


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


# What is proposed ----------------------------------------------------------------------------------------------------


def proposed_limits(cell: "Cell", some: Sequence[Tuned]) -> str:
    """The text of a limits.toml with what was chosen; the present one where nothing was."""
    return proposed(_limits_text(cell), some)


def _limits_text(cell: "Cell") -> str:
    return cell.configuration.texts.get(LIMITS, "")


def propose(cell: "Cell", some: Sequence[Tuned], path: Path) -> bool:
    """Write a limits.toml with what was chosen to `path`; False, and nothing written, where nothing was.

    UsageError when `path` is there already: what somebody may have read is not written over.
    """
    text = proposed_limits(cell, some)
    if text == _limits_text(cell):
        return False
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(f"{path}: is there already; wanted a new file; nothing was written") from None
    with_limits(cell.configuration, path)  # a file that could not be adopted must not be proposed
    return True
