"""The pasts of several machines made at once are those made one after another."""

import os
from dataclasses import fields
from pathlib import Path
from unittest.mock import patch

import numpy as np

from feedback.replay import cache, columns
from feedback.replay.lanes import Lanes
from feedback.replay.past import ARRAYS
from feedback.replay.replaying import gather, gather_lanes
from feedback.replay.span import EVERYTHING
from tests.stories.story import Story, machine


def test_machines_followed_by_two_processes_have_the_same_pasts(tmp_path: Path) -> None:
    """A cell is followed by two processes, a machine without parts too; what they leave is what one process finds."""
    story = Story(tmp_path, machine("M1"), machine("M2"), machine("M3")).cut(8, wear_um=0.3).cut(8, on="M2")
    with patch.object(columns, "WORTH_A_PROCESS", 0):
        there = gather(story.cell, None, EVERYTHING, workers=2)
    kept = {file.name for file in (tmp_path / "state" / cache.FOLDER).iterdir()}
    assert len(kept) >= len(there.pasts)
    for file in (tmp_path / "state" / cache.FOLDER).iterdir():
        file.unlink()
    here = gather(story.cell, None, EVERYTHING)
    assert kept == {file.name for file in (tmp_path / "state" / cache.FOLDER).iterdir()}
    assert {past.machine.name for past in here.pasts} == {"M1", "M2"}
    for mine, theirs in zip(here.pasts, there.pasts, strict=True):
        for name in ARRAYS:
            assert np.asarray(getattr(mine, name)).tobytes() == np.asarray(getattr(theirs, name)).tobytes(), name


def test_lanes_made_by_two_processes_are_those_of_the_pasts(tmp_path: Path) -> None:
    """A search over a cell of two machines rests on the same columns as a replay, whoever made them."""
    story = Story(tmp_path, machine("M1"), machine("M2"), machine("M3")).cut(8, wear_um=0.3).cut(8, on="M2")
    with patch.object(columns, "WORTH_A_PROCESS", 0):
        there = gather_lanes(story.cell, None, EVERYTHING, workers=2)
    here = gather(story.cell, None, EVERYTHING).lanes
    assert [one.names for one in there] == [one.names for one in here]
    for mine, theirs in zip(here, there, strict=True):
        for field in fields(Lanes):
            own, other = np.asarray(getattr(mine, field.name)), np.asarray(getattr(theirs, field.name))
            assert np.array_equal(own, other, equal_nan=own.dtype.kind == "f"), field.name


def test_what_was_kept_longest_ago_goes_first(tmp_path: Path) -> None:
    """The cache of a large cell stays within its room, and keeps what was looked at last."""
    folder = tmp_path / cache.FOLDER
    folder.mkdir()
    for age, name in enumerate(("new", "old", "oldest")):
        file = folder / f"{name}.npz"
        file.write_bytes(b"x" * 100)
        os.utime(file, ns=(10**18 - age, 10**18 - age))
    with patch.object(cache, "KEPT_BYTES", 200):
        cache.tidy(tmp_path)
    assert sorted(file.name for file in folder.iterdir()) == ["new.npz", "old.npz"]
