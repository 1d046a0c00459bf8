"""Keeps a group's past on disk under the digest of what it came from, so that the next replay need not filter again."""

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Final
from zipfile import BadZipFile

import numpy as np

from feedback.configuration.facts import Group, Machine
from feedback.replay.past import ARRAYS, ChangeSeen, GroupPast

FOLDER: Final = "replay"  # under state/
KEPT_BYTES: Final = 2_000_000_000  # the oldest go first

_OUTLOOK: Final = "outlook "


def path_of(state: Path, digest: str) -> Path:
    return state / FOLDER / f"{digest.removeprefix('sha256:')[:32]}.npz"


@dataclass(frozen=True, slots=True)
class Kept:
    """What was kept of a group; `past` is None where it had no parts."""

    past: GroupPast | None


def kept(path: Path, group: Group, machine: Machine) -> Kept | None:
    """What was kept at `path`; None where nothing is, or nothing that can be used."""
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as known:
            columns = {name: known[name] for name in known.files}
    except (OSError, ValueError, BadZipFile, EOFError):
        return None
    try:
        return Kept(_past(columns, group, machine) if columns else None)
    except (KeyError, TypeError, ValueError):
        return None  # written by another version: made anew


def keep(path: Path, past: GroupPast | None) -> None:
    """Keep `past` at `path`; a reader sees the whole file or none."""
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f"{path.stem}.{os.getpid()}.unfinished.npz")
    np.savez(unfinished, **({} if past is None else _columns(past)))
    unfinished.replace(path)


def tidy(state: Path) -> None:
    """Let go of what was kept longest ago, down to what is worth its room."""
    with_age = [(file, file.stat()) for file in (state / FOLDER).glob("*.npz")]
    room = KEPT_BYTES
    for file, known in sorted(with_age, key=lambda one: one[1].st_mtime_ns, reverse=True):
        room -= known.st_size
        if room < 0:
            file.unlink(missing_ok=True)


def _columns(past: GroupPast) -> dict[str, Any]:
    columns: dict[str, Any] = {name: getattr(past, name) for name in ARRAYS}
    columns["part"] = _text(list(past.part))
    columns["changes"] = _text([list(one) for one in past.changes])
    columns["doubts"] = _text([[row, list(words)] for row, words in past.doubts.items()])
    for field in fields(past.outlooks):
        value = getattr(past.outlooks, field.name)
        if isinstance(value, np.ndarray):
            columns[_OUTLOOK + field.name] = value
        elif field.name != "states":
            columns[_OUTLOOK + field.name] = _text(list(value))
    return columns


def _past(columns: Mapping[str, Any], group: Group, machine: Machine) -> GroupPast:
    from feedback.trend.outlooks import Outlooks
    from feedback.trend.shape import States
    from feedback.trend.tracker import shape_of

    known: dict[str, Any] = {"states": States(shape_of(group))}
    for name, value in columns.items():
        if name.startswith(_OUTLOOK):
            known[name.removeprefix(_OUTLOOK)] = _said(value) if value.dtype == np.uint8 else value
    doubts = {row: tuple(words) for row, words in _said(columns["doubts"])}
    arrays = {name: columns[name] for name in ARRAYS}
    return GroupPast(
        group=group,
        machine=machine,
        part=_said(columns["part"]),
        doubts=doubts,
        outlooks=Outlooks(**known),
        changes=[ChangeSeen(*one) for one in _said(columns["changes"])],
        locked=np.full(arrays["value_mm"].shape, -1, dtype=np.int64),  # the store knows
        **arrays,
    )


def _text(value: Any) -> Any:
    return np.frombuffer(json.dumps(value).encode(), dtype=np.uint8)


def _said(kept: Any) -> Any:
    return json.loads(kept.tobytes())
