"""Makes the columns and lanes of many machines at once, each in a process of its own.

Processes here, never a cluster: the history lies on this computer. They read the store, and write no more than the
columns that are kept, which another look would make anew.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from feedback.configuration.facts import Configuration
from feedback.replay import cache
from feedback.replay.gathering import gathered, is_kept
from feedback.replay.lanes import Lanes, lanes_of
from feedback.replay.past import GroupPast
from feedback.replay.span import Span
from feedback.replay.workers import done
from rules.limits import Limits

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql

Progress = Callable[[int, int], None]

WORTH_A_PROCESS = 20_000  # parts to be followed: below, starting a process takes longer than it saves
KEPT_COSTS = 0.1  # of following them anew (measured)


@dataclass(frozen=True, slots=True)
class _Machine:
    configuration: Configuration
    folder: Path
    name: str

    def pasts(self) -> list[GroupPast]:
        """Its groups' pasts; what had to be followed for them is kept."""
        from feedback.ledger.store import Store

        with Store.open(self.folder, self.configuration.store, readonly=True) as store, store.reading() as sql:
            return gathered(self.configuration, sql, self.name, self.folder / "state")


@dataclass(frozen=True, slots=True)
class _Wanted:
    """`bounds` are the times of the first and the last part of the span on all machines."""

    machine: _Machine
    span: Span
    bounds: tuple[int, int]


def keep_columns(
    configuration: Configuration,
    sql: "Sql",
    folder: Path,
    machines: Sequence[str],
    workers: int,
    progress: Progress | None = None,
) -> None:
    """Make what columns of `machines` are not kept yet, where several machines are worth several processes."""
    from feedback.ledger import past as store

    cache.tidy(folder / "state")
    some = [name for name in machines if not is_kept(configuration, sql, name, folder / "state")]
    if workers > 1 and len(some) > 1 and sum(store.count_of_parts(sql, name) for name in some) >= WORTH_A_PROCESS:
        done(_keep, [_Machine(configuration, folder, name) for name in some], workers=workers, progress=progress)


def lanes_of_machines(
    configuration: Configuration,
    sql: "Sql",
    folder: Path,
    machines: Sequence[str],
    span: Span,
    workers: int,
    progress: Progress | None = None,
) -> list[Lanes]:
    """The lanes of all groups with a part in the span, machine by machine."""
    from feedback.ledger import past as store

    cache.tidy(folder / "state")
    bounds = store.bounds(sql, machines, span.since_us, span.until_us)
    if bounds is None:
        return []
    costs = sum(
        store.count_of_parts(sql, name) * (KEPT_COSTS if is_kept(configuration, sql, name, folder / "state") else 1.0)
        for name in machines
    )
    tasks = [_Wanted(_Machine(configuration, folder, name), span, bounds) for name in machines]
    found = done(_lanes, tasks, workers=workers if costs >= WORTH_A_PROCESS else 1, progress=progress)
    return [one for lanes in found for one in lanes]


def _keep(machine: _Machine) -> None:
    machine.pasts()


def _lanes(wanted: _Wanted) -> list[Lanes]:
    some = within(wanted.machine.pasts(), wanted.span)
    return [lanes_of(past, *wanted.bounds, limits_of(past, wanted.machine.configuration)) for past in some]


def within(pasts: Sequence[GroupPast], span: Span) -> list[GroupPast]:
    """What of the pasts lies in the span; groups without a part in it are left out."""
    cut = (past.window(span.since_us, span.until_us) for past in pasts)
    return [past for past in cut if len(past) > past.first]


def limits_of(past: GroupPast, configuration: Configuration) -> list[Limits]:
    """The limits in force for each register of a group."""
    table = configuration.limits
    return [table.for_register(past.machine.name, register) for register in past.group.registers]
