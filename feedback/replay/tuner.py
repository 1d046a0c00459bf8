"""Runs the search for limits over a cell's past: filtered once, decided on many times, in several processes too."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from feedback.configuration.facts import LimitTable
from feedback.configuration.loading import LIMITS
from feedback.configuration.suggest import did_you_mean, listed
from feedback.errors import UsageError
from feedback.registers import register
from feedback.replay.deciding import ALONE, Power, outcomes
from feedback.replay.lanes import Lanes, heads
from feedback.replay.proposed import proposed
from feedback.replay.replaying import gather_lanes, with_limits
from feedback.replay.search import ROUNDS, first_settings
from feedback.replay.span import EVERYTHING, Span
from feedback.replay.tuning import Goal, Scope, Tried, Tuned, judged, tried
from rules.limits import Limits

if TYPE_CHECKING:
    from feedback.cell import Cell


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
    lanes = gather_lanes(cell, machines, span, workers=power.workers, progress=power.progress)
    table = cell.configuration.limits
    return [
        _tuned([one for one in lanes if scope.lanes(one).any()], table, scope, goal, power)
        for scope in _scopes(lanes, register)
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
    together = heads(some)
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
