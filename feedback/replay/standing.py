"""What locked each register at each part, as the history has it, and until when. Pure.

A lock stands from where it was known to where it ended: by a person with the next text, by a new tool with the text
that records it, by a change of the register with the first part cut after the change. What ends inside one text of many
parts stands for none of them, as live.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from feedback.locks import cause_told, tells_of_break
from feedback.replay.past import Counts, Flags, GroupPast


class Turn(NamedTuple):
    """A register was locked, for a reason, or released (`lock` is None).

    `text` is the last one taken before; `why` ends a lock that a person (`by`) has not. `source` is the log line of the
    change whose effect locked it, `parts` how many showed that effect.
    """

    register: str
    text: int
    lock: str | None
    why: str = ""
    by: str | None = None
    source: str | None = None
    parts: int = 0


def locked(past: GroupPast, turns: Sequence[Turn]) -> tuple[Counts, tuple[str, ...]]:
    """For every row and register the place of the lock's words (-1: none), and those words; `turns` as they came."""
    names = {str(register): column for column, register in enumerate(past.group.registers)}
    known: dict[str, int] = {}
    found = np.full(past.value_mm.shape, -1, dtype=np.int64)
    begun = dict.fromkeys(names.values(), 0)
    said = dict[int, list[str]]()
    for turn in turns:
        column = names.get(turn.register)
        if column is None:
            continue
        row = begun[column]
        if not (turn.lock in said.get(column, ()) and _is_same_text(past, row, turn)):  # else it went on meanwhile
            row = begun[column] = max(row, _row(past, column, turn))
        if turn.lock is not None:
            said.setdefault(column, []).append(turn.lock)
        found[row:, column] = -1 if turn.lock is None else known.setdefault(turn.lock, len(known))
    return found, tuple(known)


def _is_same_text(past: GroupPast, row: int, turn: Turn) -> bool:
    return row == _first(past, turn.text)


def _first(past: GroupPast, text: int) -> int:
    """The first row that came with this text or later."""
    return int(np.searchsorted(past.text, text))


def _row(past: GroupPast, column: int, turn: Turn) -> int:
    """The first row that was decided on with the turn known."""
    if turn.lock is None:
        return _released(past, column, turn)
    if tells_of_break(turn.lock):
        return _first(past, turn.text)
    if cause_told(turn.lock) is not None:  # told when everything of the text had been decided
        return _first(past, turn.text + 1)
    return _contradicted(past, column, turn)


def _released(past: GroupPast, column: int, turn: Turn) -> int:
    if turn.by is not None:
        return _first(past, turn.text + 1)
    changed = [one.row for one in past.changes if one.column == column and turn.why.endswith(f"({one.source})")]
    return changed[-1] if changed else _first(past, turn.text)


def _contradicted(past: GroupPast, column: int, turn: Turn) -> int:
    """The part that showed as the last of so many that a change did not do what it promised."""
    changed = [one.row for one in past.changes if one.column == column and one.source == turn.source]
    if not changed:
        return _first(past, turn.text)
    rows = np.arange(changed[-1], min(len(past), changed[-1] + _LONGEST))
    for row in rows.tolist():
        if _shown(past, column, changed[-1], row) >= turn.parts:
            return int(row)
    return _first(past, turn.text)


_LONGEST = 60  # rows: `feedback.effect` gives up before


def _shown(past: GroupPast, column: int, first: int, last: int) -> int:
    """Parts with a believed reading of the register; one left out counts once a later part has shown the same."""
    rows = slice(first, last + 1)
    moved = past.sensitivity[:, column] != 0
    jumped: Flags = np.any(past.outlooks.jumped[rows], axis=1)
    repeated: Flags = np.array([jumped[k + 1 :].any() for k in range(len(jumped))])
    counts = ~np.isnan(past.read_um[rows]) & (~past.wild[rows] | repeated[:, None])
    return int(np.count_nonzero(counts[:, moved].any(axis=1)))
