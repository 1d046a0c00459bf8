"""The reader's sign of life, for those who show its answers: an answer is only as new as the last look at the logs.

A small file beside the store, replaced after every whole look and removed when the reader ends. It says nothing that
the history would need.
"""

import json
import os
import platform
import time
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

NAME = "reader.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat:
    """The last whole look: when (microseconds UTC), how often one is made, by whom, and what could not be read."""

    at_us: int
    every_s: float
    pid: int
    computer: str
    troubles: tuple[str, ...] = ()
    away: tuple[str, ...] = ()  # machines whose log folders could not be read


def beat(folder: Path, *, every_s: float, troubles: list[str], away: list[str]) -> None:
    """Say that a whole look has just ended. Where that cannot be written, the answers are shown as old."""
    path = folder / "state" / NAME
    told = Beat(
        at_us=time.time_ns() // 1000,
        every_s=every_s,
        pid=os.getpid(),
        computer=platform.node(),
        troubles=tuple(troubles),
        away=tuple(away),
    )
    new = path.with_suffix(".new")
    with suppress(OSError):
        new.write_text(json.dumps(asdict(told)), encoding="utf-8")
        new.replace(path)


def stop(folder: Path) -> None:
    """Say that nobody reads the logs any more."""
    with suppress(OSError):
        (folder / "state" / NAME).unlink(missing_ok=True)


def last(folder: Path) -> Beat | None:
    """The last sign of life; None when nobody reads the logs, or what is there cannot be understood."""
    try:
        found = json.loads((folder / "state" / NAME).read_text(encoding="utf-8"))
        beat = Beat(**{**found, "troubles": tuple(found["troubles"]), "away": tuple(found["away"])})
    except (OSError, ValueError, TypeError, KeyError):
        return None
    return None if _has_died(beat) else beat


def _has_died(beat: Beat) -> bool:
    """The reader was killed before it could say so. Known only of this computer, and not where asking would kill."""
    if os.name != "posix" or beat.computer != platform.node():
        return False
    try:
        os.kill(beat.pid, 0)
    except ProcessLookupError:
        return True
    except OSError:
        pass  # somebody else's process: it lives
    return False
