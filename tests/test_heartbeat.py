"""The reader's sign of life: who shows its answers must know at once when it has gone."""

import json
import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

from feedback import heartbeat


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A cell folder with a state folder."""
    (tmp_path / "state").mkdir()
    return tmp_path


def test_a_look_is_told_and_forgotten(folder: Path) -> None:
    """After a look it is known when, how often and what was in the way; after the end nothing."""
    assert heartbeat.last(folder) is None
    heartbeat.beat(folder, every_s=5.0, troubles=["M1: away"], away=["M1"])
    known = heartbeat.last(folder)
    assert known is not None
    assert (known.every_s, known.troubles, known.away, known.pid) == (5.0, ("M1: away",), ("M1",), os.getpid())
    heartbeat.stop(folder)
    heartbeat.stop(folder)
    assert heartbeat.last(folder) is None


@pytest.mark.skipif(os.name != "posix", reason="elsewhere asking whether a process lives would end it")
def test_a_reader_that_was_killed_is_not_taken_for_alive(folder: Path) -> None:
    """A power cut of the reader leaves its last sign; the process behind it is gone, which is seen at once."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    heartbeat.beat(folder, every_s=5.0, troubles=[], away=[])
    path = folder / "state" / heartbeat.NAME
    told = json.loads(path.read_text())
    path.write_text(json.dumps({**told, "pid": gone.pid}))
    assert heartbeat.last(folder) is None
    path.write_text(json.dumps({**told, "pid": gone.pid, "computer": f"not {platform.node()}"}))
    assert heartbeat.last(folder) is not None


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"at_us": 1}', "null"])
def test_a_damaged_sign_is_none(folder: Path, text: str) -> None:
    """What cannot be understood says nothing, which is the safe side."""
    (folder / "state" / heartbeat.NAME).write_text(text)
    assert heartbeat.last(folder) is None


def test_a_sign_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    """Without a state folder the reader reads on."""
    heartbeat.beat(tmp_path, every_s=5.0, troubles=[], away=[])
    assert heartbeat.last(tmp_path) is None
