"""A cell's past under other limits: brings it together, decides again, and says what came of it."""

import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from feedback.configuration.facts import Configuration
from feedback.configuration.loading import LIMITS, from_texts
from feedback.configuration.suggest import did_you_mean, listed
from feedback.errors import ConfigurationError, UsageError
from feedback.ledger import past as store_of_past
from feedback.replay.columns import keep_columns, lanes_of_machines, limits_of, within
from feedback.replay.gathering import gathered
from feedback.replay.lanes import Lanes, lanes_of
from feedback.replay.one import Replayed, decide_again
from feedback.replay.past import GroupPast
from feedback.replay.recorded import Compared, decided_again
from feedback.replay.span import EVERYTHING, Span
from feedback.replay.table import Line, Turn, lines, turns

if TYPE_CHECKING:
    from feedback.cell import Cell

Progress = Callable[[int, int], None]


@dataclass(frozen=True, kw_only=True)
class Replay:
    """What a replay found. `compared` is None where the recorded decisions were not asked for."""

    limits: str  # the file, or "the limits in force"
    groups: Sequence[Replayed]
    lines: Sequence[Line]
    turns: Sequence[Turn]
    compared: Compared | None


@dataclass(frozen=True, kw_only=True)
class Gathered:
    """The pasts of some machines, cut to a span, with their lanes and the corrections really made."""

    pasts: Sequence[GroupPast]
    lanes: Sequence[Lanes]
    corrections: Sequence[dict[str, Any]]


def replay(
    cell: "Cell",
    *,
    limits: Path | None = None,
    span: Span = EVERYTHING,
    machines: Sequence[str] | None = None,
    recorded: bool = True,
    workers: int = 1,
    progress: Progress | None = None,
) -> Replay:
    """Decide the cell's past again under `limits` (a limits.toml; None: those in force).

    With `recorded`, every recorded decision is made again too, with the real corrections left in. ConfigurationError
    for faults of `limits`; UsageError for a machine the cell has not, and where there is nothing to replay.
    """
    configuration = with_limits(cell.configuration, limits)
    found = gather(cell, machines, span, configuration, workers=workers, progress=progress)
    done = [
        decide_again(past, lanes, limits_of(past, configuration))
        for past, lanes in zip(found.pasts, found.lanes, strict=True)
    ]
    compared = _compared(cell, limits, machines, span, progress) if recorded else None
    return Replay(
        limits=str(limits) if limits is not None else "the limits in force",
        groups=done,
        lines=list(lines(done, None if compared is None else compared.given)),
        turns=turns(done, found.corrections),
        compared=compared,
    )


def _compared(
    cell: "Cell", limits: Path | None, machines: Sequence[str] | None, span: Span, progress: Progress | None
) -> Compared:
    text = None if limits is None else _text(limits)
    with tempfile.TemporaryDirectory(prefix="trueup-replay-") as scratch, cell.store.reading() as sql:
        return decided_again(sql, cell.folder, Path(scratch), text, machines, span, progress)


def gather(
    cell: "Cell",
    machines: Sequence[str] | None,
    span: Span,
    configuration: Configuration | None = None,
    *,
    workers: int = 1,
    progress: Progress | None = None,
) -> Gathered:
    """The pasts of `machines` (None: all); UsageError where none of them has a part in the span.

    `configuration` (None: the cell's own) says how likely a cause must be to be named, and where a check is required.
    What has to be followed first is followed by so many processes.
    """
    configuration = configuration or cell.configuration
    names = _checked(configuration, machines)
    with cell.store.reading() as sql:
        keep_columns(configuration, sql, cell.folder, names, workers, progress)
        some = [past for name in names for past in gathered(configuration, sql, name, cell.folder / "state")]
        made = [{**one, "machine": name} for name in names for one in store_of_past.corrections(sql, name)]
        bounds = store_of_past.bounds(sql, names, span.since_us, span.until_us)
    some = within(some, span)
    if not some or bounds is None:
        raise _nothing_of(names)
    lanes = [lanes_of(past, *bounds, limits_of(past, configuration)) for past in some]
    return Gathered(pasts=some, lanes=lanes, corrections=made)


def gather_lanes(
    cell: "Cell", machines: Sequence[str] | None, span: Span, *, workers: int = 1, progress: Progress | None = None
) -> list[Lanes]:
    """The lanes alone, made in so many processes; UsageError where no machine has a part in the span."""
    names = _checked(cell.configuration, machines)
    with cell.store.reading() as sql:
        found = lanes_of_machines(cell.configuration, sql, cell.folder, names, span, workers, progress)
    if not found:
        raise _nothing_of(names)
    return found


def _nothing_of(machines: Sequence[str]) -> UsageError:
    return UsageError(
        f"no part of {listed(machines)} with a reading that a register moves lies in the span; wanted some; "
        "take log text with `trueup process`, or name another span"
    )


def _checked(configuration: Configuration, machines: Sequence[str] | None) -> list[str]:
    known = list(configuration.machines)
    for name in machines or ():
        if name not in known:
            raise UsageError(f"found machine {name!r}; wanted one of {listed(known)}{did_you_mean(name, known)}")
    return [name for name in known if machines is None or name in machines]


def with_limits(configuration: Configuration, limits: Path | None) -> Configuration:
    """The configuration with another limits.toml in force."""
    if limits is None:
        return configuration
    try:
        return from_texts(configuration.folder, {**configuration.texts, LIMITS: _text(limits)})
    except ConfigurationError as error:
        own = configuration.folder / LIMITS
        faults = [replace(one, path=limits) if one.path == own else one for one in error.faults]
        raise ConfigurationError(faults) from None


def _text(limits: Path) -> str:
    try:
        return limits.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UsageError(f"{limits}: cannot be read ({error.strerror}); wanted a file like limits.toml") from None
    except UnicodeDecodeError as error:
        raise UsageError(
            f"{limits}: found byte 0x{error.object[error.start]:02x}; wanted text saved as UTF-8"
        ) from None


@contextmanager
def cell_of_logs(cell: "Cell", logs: Path, machine: str | None, progress: Progress | None = None) -> Iterator["Cell"]:
    """A scratch cell with the plans, facts and limits of `cell` that has taken the log files in folder `logs`.

    UsageError for a folder that is not there, and where the cell has several machines and none is named.
    """
    from feedback.cell import open_cell

    if not logs.is_dir():
        raise UsageError(f"{logs}: there is no such folder; wanted one with log files of one machine")
    names = list(cell.configuration.machines)
    if machine is None and len(names) > 1:
        raise UsageError(f"--logs: the cell has several machines ({listed(names)}); name theirs with --machine")
    (name,) = _checked(cell.configuration, [machine or names[0]])
    with tempfile.TemporaryDirectory(prefix="trueup-replay-") as scratch:
        folder = Path(scratch)
        _write(folder, cell.configuration.texts)
        with open_cell(folder) as other:
            facts = replace(other.configuration.machines[name], logs=(logs.absolute(),))
            other.configuration = replace(other.configuration, machines={name: facts})
            other.take_new_text(progress=progress)
            yield other


def _write(folder: Path, texts: Any) -> None:
    for name, text in texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
