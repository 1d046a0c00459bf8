"""The store: one writer at a time, whole transactions, and a history that is only appended to."""

import multiprocessing
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import filelock
import pytest
import sqlalchemy

from feedback.errors import StoreError, UsageError
from feedback.ledger import chain, queries, schema
from feedback.ledger.chain import Checkpoint
from feedback.ledger.store import LOCK_NAME, STORE_NAME, Store, Writing
from tests.ledger.shop import MORNING, RADIUS, later, say


def events(store: Store) -> list[chain.Event]:
    with store.reading() as sql:
        return list(queries.events(sql))


def test_an_event_comes_back_as_it_was_written(store: Store) -> None:
    """Kind, machine, time, payload and text are kept to the last byte."""
    body = bytes(range(256)) * 40
    with store.writing(MORNING) as tx:
        seq = tx.append("decided", "M1", {"decisions": 0, "µm": 0.1}, b"[]")
        tx.append("hand-change", "M1", {"a": 1}, body)
    first, second = events(store)
    assert (first.seq, first.kind, first.machine, first.body) == (seq, "decided", "M1", b"[]")
    assert chain.moment(first.at_us) == MORNING
    assert first.content == {"decisions": 0, "µm": 0.1}
    assert second.body == body
    assert chain.verify([first, second]) is None
    assert store.head == Checkpoint(2, second.hash)


def test_a_new_store_has_no_history(store: Store) -> None:
    """Nothing has happened yet: zero events."""
    assert store.head == chain.EMPTY


def test_a_failed_transaction_leaves_nothing(store: Store) -> None:
    """When anything goes wrong on the way, neither the event nor what follows from it is kept."""
    with store.writing(MORNING) as tx:
        say(tx)
    with pytest.raises(ZeroDivisionError), store.writing(MORNING) as tx:
        _lock_and_fail(tx)
    assert store.head.count == 1
    with store.reading() as sql:
        assert queries.holds(sql, "M1") == {}
    with store.writing(MORNING) as tx:
        assert say(tx) == 2


def _lock_and_fail(tx: Writing) -> None:
    say(tx)
    tx.append("locked", "M1", {"register": RADIUS, "why": "wrong way"})
    raise ZeroDivisionError


def test_an_unknown_kind_of_event_is_refused(store: Store) -> None:
    """A misspelt kind would be history that nobody folds."""
    with pytest.raises(ValueError, match="kind 'acepted'; wanted one of accepted"), store.writing(MORNING) as tx:
        tx.append("acepted", "M1", {})
    assert store.head.count == 0


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE event SET payload = '{}' WHERE seq = 1",
        "DELETE FROM event WHERE seq = 1",
        "DELETE FROM event",
        "INSERT INTO event SELECT 7, at_us, kind, machine, payload, body, prev, hash FROM event",
    ],
)
def test_the_history_cannot_be_changed_by_mistake(store: Store, statement: str) -> None:
    """The database itself refuses to update, delete or slip in an event."""
    with store.writing(MORNING) as tx:
        say(tx)
    with pytest.raises(StoreError, match="appended to, never changed"), store.writing(MORNING) as tx:
        tx.sql.run(statement)
    assert len(events(store)) == 1


def test_an_event_cannot_be_replaced_by_mistake(tmp_path: Path) -> None:
    """SQLite's REPLACE deletes without asking the trigger for deletes: the one for inserts refuses it."""
    with Store.open(tmp_path) as store, store.writing(MORNING) as tx:
        say(tx)
    connection = sqlite3.connect(tmp_path / "state" / STORE_NAME)
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        connection.execute("REPLACE INTO event SELECT seq, at_us, 'x', machine, payload, body, prev, hash FROM event")
    connection.close()


def test_a_store_notices_what_another_has_written(tmp_path: Path, address: str) -> None:
    """An acceptance on the command line is seen by the daemon in its next transaction, with the number of events."""
    with Store.open(tmp_path, address) as daemon, Store.open(tmp_path, address) as command:
        with daemon.writing(MORNING) as tx:
            assert tx.missed == 0
            say(tx)
        with command.writing(later(1)) as tx:
            say(tx)
            say(tx)
        assert daemon.head == command.head
        with daemon.writing(later(2)) as tx:
            assert tx.missed == 2
            assert say(tx) == 4
        with daemon.writing(later(3)) as tx:
            assert tx.missed == 0
        assert chain.verify(events(daemon)) is None


def test_a_reader_keeps_its_view_while_another_writes(store: Store) -> None:
    """What is shown is one moment of the history, not half of one and half of the next; nobody waits."""
    with store.reading() as sql:
        assert queries.head(sql).count == 0
        with store.writing(MORNING) as tx:
            say(tx)
        assert queries.head(sql).count == 0
    assert store.head.count == 1


def test_a_write_inside_a_write_is_refused(store: Store) -> None:
    """It would wait for itself for ever."""
    with store.writing(MORNING), pytest.raises(StoreError, match="inside another write"), store.writing(MORNING):
        pass


def test_two_threads_write_one_after_the_other(store: Store) -> None:
    """The page and the watcher of one daemon may both write: each event is there once and the chain holds."""

    def write() -> None:
        for _ in range(15):
            with store.writing(MORNING) as tx:
                say(tx)

    threads = [threading.Thread(target=write) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert store.head.count == 30
    assert chain.verify(events(store)) is None


def _write_some(folder: Path, address: str, count: int) -> None:
    with Store.open(folder, address) as store:
        for _ in range(count):
            with store.writing(MORNING) as tx:
                say(tx)


def test_two_processes_write_one_after_the_other(tmp_path: Path, address: str) -> None:
    """Daemon and command line at once: each event is there once and the chain holds."""
    spawn = multiprocessing.get_context("spawn")
    processes = [spawn.Process(target=_write_some, args=(tmp_path, address, 20)) for _ in range(2)]
    for process in processes:
        process.start()
    for process in processes:
        process.join(60)
    assert [process.exitcode for process in processes] == [0, 0]
    with Store.open(tmp_path, address) as store:
        assert store.head.count == 40
        assert chain.verify(events(store)) is None


def test_whoever_waits_too_long_is_told_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stuck writer is named by its lock file, and nothing is written."""
    monkeypatch.setattr("feedback.ledger.store.LOCK_WAIT_S", 0.05)
    with Store.open(tmp_path) as store:
        other = filelock.FileLock(tmp_path / "state" / LOCK_NAME)
        wanted = pytest.raises(StoreError, match=r"write\.lock: another trueup has been writing")
        with other, wanted, store.writing(MORNING):
            pass
        assert store.head.count == 0


def test_a_store_opened_for_reading_refuses_to_write(tmp_path: Path, address: str) -> None:
    """The page that only shows can never change the history, not even by plain SQL."""
    _write_some(tmp_path, address, 1)
    with Store.open(tmp_path, address, readonly=True) as store:
        with pytest.raises(StoreError, match="for reading only"), store.writing(MORNING):
            pass
        with pytest.raises(StoreError, match=r"readonly database|read-only transaction"), store.reading() as sql:
            sql.run("DELETE FROM proposal")
        assert store.head.count == 1


def test_a_reader_of_a_cell_without_a_store_is_told_what_makes_one(tmp_path: Path) -> None:
    """Nothing is made by looking."""
    with pytest.raises(StoreError, match="there is no store yet; `trueup process` makes it"):
        Store.open(tmp_path, readonly=True)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_store_is_refused(tmp_path: Path) -> None:
    """Somebody's other file in the place of the store is neither read nor overwritten."""
    path = tmp_path / "state" / STORE_NAME
    path.parent.mkdir()
    path.write_bytes(b"delivery note 4711, two rings\n" * 100)
    with pytest.raises(StoreError, match="the store cannot be opened: file is not a database"):
        Store.open(tmp_path)
    assert path.read_bytes() == b"delivery note 4711, two rings\n" * 100


def test_a_store_of_another_version_is_refused(tmp_path: Path, address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """An older trueup does not fold what it does not know."""
    with monkeypatch.context() as patch:
        patch.setattr(schema, "VERSION", "99")
        Store.open(tmp_path, address).close()
    with pytest.raises(StoreError, match="has version '99' of the tables, this trueup knows '1'"):
        Store.open(tmp_path, address)


@pytest.mark.parametrize("address", ["mysql://u@h/d", "postgresql://u:secret@h/d", "here"])
def test_an_address_that_cannot_be_used_is_refused(tmp_path: Path, address: str) -> None:
    """Another database or a password in a file is refused, and the password is not repeated."""
    with pytest.raises(UsageError, match='wanted "sqlite" or "postgresql://user@host/database"') as refusal:
        Store.open(tmp_path, address)
    assert "secret" not in str(refusal.value)


def test_a_server_that_is_away_is_named_without_the_password(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The message names the address and the driver's words; the password of the environment stays out of it."""
    monkeypatch.setenv("TRUEUP_STORE_PASSWORD", "open-sesame")
    with pytest.raises(StoreError, match=r"postgresql://u@/d.*the store cannot be opened") as refusal:
        Store.open(tmp_path, f"postgresql://u@/d?host={tmp_path}")
    assert "sesame" not in str(refusal.value)


def test_the_password_comes_from_the_environment(
    tmp_path: Path, postgres_address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """cell.toml holds no password: the driver is given the one of TRUEUP_STORE_PASSWORD."""
    monkeypatch.setenv("TRUEUP_STORE_PASSWORD", "open-sesame")
    given: list[object] = []
    address = sqlalchemy.make_url(postgres_address).set(drivername="postgresql").render_as_string()
    store = Store.open(tmp_path, address)
    sqlalchemy.event.listen(store._reader, "do_connect", lambda *call: given.append(call[3]["password"]))
    store._reader.dispose()
    assert store.head.count == 0
    assert given == ["open-sesame"]
    store.close()


def test_every_commit_of_a_sqlite_store_reaches_the_disk(tmp_path: Path) -> None:
    """Write-ahead log with full synchronisation: an accepted correction is not lost with the power."""
    with Store.open(tmp_path) as store, store.writing(MORNING) as tx:
        assert tx.sql.value("PRAGMA journal_mode") == "wal"
        assert tx.sql.value("PRAGMA synchronous") == 2  # FULL


def test_a_folder_with_odd_letters_holds_a_store(tmp_path: Path) -> None:
    """Shops name folders as they like."""
    folder = tmp_path / "cell 3 ? 50% # März"
    with Store.open(folder) as store, store.writing(MORNING) as tx:
        say(tx)
    with Store.open(folder, readonly=True) as store:
        assert store.head.count == 1
    assert (folder / "state" / STORE_NAME).is_file()


def test_a_trends_memory_is_kept_and_forgotten(store: Store) -> None:
    """Only the newest memory of a group is kept; it is no part of the history."""
    with store.writing(MORNING) as tx:
        tx.keep_snapshot("M1", RADIUS, "d1", 7, 70, "{}")
        tx.keep_snapshot("M1", RADIUS, "d1", 9, 90, '{"parts":2}')
        tx.keep_snapshot("M2", RADIUS, "d2", None, 10, "{}")
    with store.reading() as sql:
        assert queries.snapshot(sql, "M1", RADIUS) == ("d1", 9, 90, '{"parts":2}')
    with store.writing(MORNING) as tx:
        tx.forget_snapshot("M1", RADIUS)
    with store.reading() as sql:
        assert queries.snapshot(sql, "M1", RADIUS) is None
        assert queries.snapshot(sql, "M2", RADIUS) == ("d2", None, 10, "{}")
    assert store.head.count == 0


_WRITE_FOR_EVER = """
import sys
from pathlib import Path
from feedback.ledger.store import Store
from tests.ledger.shop import MORNING, RADIUS, say
store = Store.open(Path(sys.argv[1]))
while True:
    with store.writing(MORNING) as tx:
        say(tx)
        tx.append("locked", "M1", {"register": RADIUS, "why": str(tx.head.count + 1)})
    print(tx.head.count, flush=True)
"""


def test_a_killed_writer_loses_nothing_it_had_finished(tmp_path: Path) -> None:
    """Pull the plug on the process at any moment: every finished transaction is there, none is there by half."""
    whims = random.Random(20261125)
    for _ in range(6):
        writer = subprocess.Popen(
            [sys.executable, "-c", _WRITE_FOR_EVER, str(tmp_path)],
            stdout=subprocess.PIPE,
            text=True,
            env=_environment(),
        )
        assert writer.stdout is not None
        writer.stdout.readline()
        time.sleep(whims.uniform(0.0, 0.1))
        os.kill(writer.pid, signal.SIGKILL)
        said = writer.stdout.read().split()
        writer.wait()
        writer.stdout.close()
        with Store.open(tmp_path) as store:
            history = events(store)
            assert chain.verify(history) is None
            assert len(history) % 2 == 0
            assert len(history) >= int(said[-1]) if said else True
            with store.reading() as sql:
                assert queries.holds(sql, "M1")[RADIUS].locked == str(len(history))
                assert sql.value("PRAGMA integrity_check") == "ok"


def _environment() -> dict[str, str]:
    root = Path(__file__).parents[2]
    return {**os.environ, "PYTHONPATH": str(root)}
