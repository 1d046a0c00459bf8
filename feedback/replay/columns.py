"""Makes the columns of many machines at once, each in a process of its own, and leaves them where they are kept.

Processes here, never a cluster: the history lies on this computer. They read the store, and write no more than the
columns, which another look would make anew.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from feedback.configuration.facts import Configuration
from feedback.replay import cache
from feedback.replay.gathering import gathered, is_kept
from feedback.replay.workers import done

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql

Progress = Callable[[int, int], None]

WORTH_A_PROCESS = 20_000  # parts that have to be followed: below, starting a process takes longer than it saves


@dataclass(frozen=True, slots=True)
class _Task:
    configuration: Configuration
    folder: Path
    machine: str


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
    if workers == 1 or len(machines) == 1:
        return
    some = [name for name in machines if not is_kept(configuration, sql, name, folder / "state")]
    if len(some) > 1 and sum(store.count_of_parts(sql, name) for name in some) >= WORTH_A_PROCESS:
        done(_make, [_Task(configuration, folder, name) for name in some], workers=workers, progress=progress)


def _make(task: _Task) -> None:
    from feedback.ledger.store import Store

    with Store.open(task.folder, task.configuration.store, readonly=True) as store, store.reading() as sql:
        gathered(task.configuration, sql, task.machine, task.folder / "state")
