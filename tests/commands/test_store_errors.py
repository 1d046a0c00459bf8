"""A history that was tampered with, a store that is no store, a folder that cannot be written, two readers at once."""

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

import feedback
from tests.commands.saying import says, trueup

CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH = 1, 2
PR_CAPBSET_DROP = 24


def tamper(cell: Path, *statements: str) -> None:
    with closing(sqlite3.connect(cell / "state" / "trueup.sqlite")) as store, store:
        for statement in statements:
            store.execute(statement)


def test_an_event_changed_afterwards_is_found(read_cell: Path, open_id: str) -> None:
    """Whoever edits the file to put another name to an acceptance breaks the chain, even with the guard put back."""
    trueup("accept", open_id, "--by", "op1", cell=read_cell)
    with closing(sqlite3.connect(read_cell / "state" / "trueup.sqlite")) as store:
        (guard,) = store.execute("SELECT sql FROM sqlite_master WHERE name = 'event_is_never_changed'").fetchone()
    tamper(
        read_cell,
        "DROP TRIGGER event_is_never_changed",
        "UPDATE event SET payload = replace(payload, 'op1', 'pe') WHERE kind = 'accepted'",
        guard,
    )

    said = trueup("verify", cell=read_cell)
    assert said.code == 3
    assert "NOT intact" in said.out
    assert trueup("verify", "--json", cell=read_cell).document["faults"]


def test_a_table_changed_afterwards_is_found_by_the_deep_look(read_cell: Path) -> None:
    """A read table that no longer says what the events say is found by folding them again."""
    tamper(read_cell, "UPDATE proposal SET status = 'accepted', by_person = 'pe'")

    assert trueup("verify", cell=read_cell).code == 0
    said = trueup("verify", "--deep", cell=read_cell)
    assert said.code == 3
    assert "proposal" in said.out


def test_a_cut_off_end_is_found_with_a_checkpoint_kept_elsewhere(read_cell: Path, open_id: str) -> None:
    """The chain alone cannot show that its end is gone; the printed checkpoint can."""
    trueup("accept", open_id, "--by", "op1", cell=read_cell)
    kept = trueup("verify", "--json", cell=read_cell).document["checkpoint"]
    tamper(read_cell, "DROP TRIGGER event_is_never_removed", "DELETE FROM event WHERE kind = 'accepted'")

    assert trueup("verify", "--checkpoint", kept, cell=read_cell).code == 3


def test_a_checkpoint_mistyped_is_refused(read_cell: Path) -> None:
    """Half a checkpoint proves nothing."""
    says(trueup("verify", "--checkpoint", "12", cell=read_cell), 2, "12")


BROKEN = [("status",), ("process",), ("show", "p-x"), ("accept", "p-x", "--by", "op1"), ("history",), ("verify",)]


@pytest.mark.parametrize("words", BROKEN, ids=lambda words: words[0])
def test_a_store_that_is_no_store(words: tuple[str, ...], read_cell: Path) -> None:
    """A damaged file is named in words, exit code 1, and is left as it was found."""
    path = read_cell / "state" / "trueup.sqlite"
    for leftover in path.parent.glob("trueup.sqlite-*"):
        leftover.unlink()
    path.write_bytes(b"not a store, but long enough to look at " * 100)
    before = path.read_bytes()

    says(trueup(*words, cell=read_cell), 1, "file is not a database")
    assert path.read_bytes() == before


def test_a_file_where_the_state_folder_belongs(unread_cell: Path) -> None:
    """Whatever stands in the way of the store is named."""
    (unread_cell / "state").write_text("in the way")

    says(trueup("process", cell=unread_cell), 1, str(unread_cell / "state"), "cannot be opened")


def test_history_and_verify_before_anything_was_read(unread_cell: Path) -> None:
    """There is nothing to list or to check yet, and looking makes nothing."""
    for command in ("history", "verify"):
        says(trueup(command, cell=unread_cell), 1, "trueup.sqlite", "no store yet", "trueup process")
    assert not (unread_cell / "state").exists()


def test_processing_while_a_watch_runs_is_refused(read_cell: Path, open_id: str) -> None:
    """One reader of the logs at a time; reviewing goes on beside it."""
    with feedback.open_cell(read_cell) as watching:
        watching.start_reading()

        says(trueup("process", cell=read_cell), 1, "reader.lock", "trueup watch", "trueup status")
        assert trueup("accept", open_id, "--by", "op1", cell=read_cell).code == 0
    assert trueup("process", cell=read_cell).code in (0, 3)


def give_up_the_right_to_write_anywhere() -> None:
    """Root writes into read-only folders; a process without these capabilities does not."""
    import ctypes

    if os.geteuid() == 0:
        for capability in (CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH):
            ctypes.CDLL(None).prctl(PR_CAPBSET_DROP, capability, 0, 0, 0)


def in_a_process(cell: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """A real process that must respect the rights of the folder."""
    return subprocess.run(
        [sys.executable, "-m", "feedback", "--cell", str(cell), *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        preexec_fn=give_up_the_right_to_write_anywhere,
    )


def test_a_cell_folder_that_cannot_be_written(read_cell: Path, open_id: str) -> None:
    """From a read-only copy one can read the status; everything that would write says which place refuses."""
    paths = [read_cell, *read_cell.rglob("*")]
    for path in paths:
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        status = in_a_process(read_cell, "status")
        refused = [in_a_process(read_cell, "process"), in_a_process(read_cell, "accept", open_id, "--by", "op1")]
        new = in_a_process(read_cell / "inside", "new", "--name", "Cell 4")
    finally:
        for path in paths:
            path.chmod(0o755 if path.is_dir() else 0o644)

    assert status.returncode == 3
    assert open_id in status.stdout
    for said in (*refused, new):
        assert (said.returncode, said.stdout) == (1, "")
        assert said.stderr.startswith("trueup: ")
        assert "Permission denied" in said.stderr
        assert str(read_cell) in said.stderr
        assert "Traceback" not in said.stderr
