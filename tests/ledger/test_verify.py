"""Is the history intact? What tampering looks like, what only a kept checkpoint shows, and tables made anew."""

import sqlite3
import zlib
from pathlib import Path

import pytest

from feedback.errors import UsageError
from feedback.ledger import chain, queries, review, schema
from feedback.ledger.chain import Checkpoint
from feedback.ledger.rebuild import differences, rebuild
from feedback.ledger.store import STORE_NAME, Store
from feedback.ledger.verify import Report, checkpoint_of, verify
from tests.ledger.feeding import DAY, Feeder
from tests.ledger.shop import CORRECTION, MORNING, PEOPLE, RADIUS, later, say


@pytest.fixture
def feeder(store: Store, tmp_path: Path) -> Feeder:
    """A store with some of everything in it."""
    fed = Feeder(store, tmp_path)
    fed.day()
    with store.writing(later(1)) as tx:
        id = review.open_proposal(tx, "M1", RADIUS, CORRECTION, 3)
        review.accept(tx, PEOPLE, id, "op1", "checked the edge")
        review.enter(tx, id, "-0.018", "M1/s1.txt:30")
        review.find_wrong_way(tx, id, "moved by -0.011 mm")
        say(tx)
    with store.writing(later(2)) as tx:
        fed.configure(tx, upper="0.020")
        fed.take(tx, "PART 121 PLAN 4101 DATE 20261125 TIME 090000\nFEATURE 12 ACTUAL 25.001\n", doubted=(21,))
        fed.close(tx, "FEATURE 13 A")
        tx.append("doubted", "M1", {"id": 1, "probe": 1, "since": [0, -1], "until": None, "words": "ring"})
        tx.append("decided", "M1", {"decisions": 1}, f"[{_ENTRY}]".encode())
    return fed


CONTINUED = "It continues the checkpoint given."
_ENTRY = '{"register":"tool 5 radius","part":"121","answer":"wait","cause":"none","error_mm":-0.0061}'


def checked(feeder: Feeder, *, deep: bool = False, kept: Checkpoint | None = None) -> Report:
    return verify(feeder.store, feeder.configuration, deep=deep, kept=kept)


def test_an_untouched_history_is_intact(feeder: Feeder) -> None:
    """Everything fits, the tables too, and the checkpoint to print is the end of the history."""
    report = checked(feeder, deep=True, kept=feeder.store.head)
    assert report.faults == ()
    assert report.is_intact
    assert report.checkpoint == feeder.store.head
    count = report.checkpoint.count
    assert report.lines() == [
        f"The history is intact: {count} events fit and the tables say what the events say. {CONTINUED}",
        f"checkpoint {feeder.store.head}",
    ]


def test_without_a_checkpoint_the_report_says_what_it_cannot_see(feeder: Feeder) -> None:
    """A cut-off end shows only against a checkpoint kept elsewhere, and the report says so."""
    assert "A cut-off end shows only against a checkpoint kept elsewhere" in checked(feeder).lines()[0]
    assert checked(feeder).to_json() == {
        "schema": "trueup/1",
        "intact": True,
        "events": feeder.store.head.count,
        "checkpoint": str(feeder.store.head),
        "tables_compared": False,
        "checkpoint_compared": False,
        "faults": [],
    }


def test_an_empty_history_is_intact(tmp_path: Path, store: Store) -> None:
    """The first report of a new cell prints a checkpoint too."""
    feeder = Feeder(store, tmp_path)
    with store.writing(MORNING) as tx:
        feeder.configure(tx)
    early = chain.EMPTY
    assert checked(feeder, kept=early).is_intact


def test_an_earlier_checkpoint_is_continued(feeder: Feeder) -> None:
    """Last month's report still fits this month's history."""
    with feeder.store.reading() as sql:
        third = next(event for event in queries.events(sql) if event.seq == 3)
    assert checked(feeder, kept=Checkpoint(3, third.hash)).is_intact


def tamper(feeder: Feeder, *statements: str) -> None:
    """Change the history as somebody would who knows SQL: take the guards away, change it, put them back."""
    with feeder.store.writing(later(9)) as tx:
        if tx.sql.connection.dialect.name == "postgresql":
            tx.sql.run("ALTER TABLE event DISABLE TRIGGER ALL")
            for statement in statements:
                tx.sql.run(statement)
            tx.sql.run("ALTER TABLE event ENABLE TRIGGER ALL")
            return
        guards = tx.sql.rows("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        for name, _ in guards:
            tx.sql.run(f"DROP TRIGGER {name}")
        for statement in statements:
            tx.sql.run(statement)
        for _, guard in guards:
            tx.sql.run(guard)


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        (
            "UPDATE event SET payload = replace(payload, 'op1', 'op2') WHERE seq = 4",
            "event 4 (accepted) was changed after it was written",
        ),
        ("UPDATE event SET at_us = at_us - 60000000 WHERE seq = 4", "event 4 (accepted) was changed"),
        ("UPDATE event SET machine = 'M2' WHERE seq = 4", "event 4 (accepted) was changed"),
        ("DELETE FROM event WHERE seq = 4", "event 4 is missing: found event 5 after event 3"),
        ("DELETE FROM event WHERE seq = 1", "event 1 is missing: found event 2 after event 0"),
        ("UPDATE event SET seq = 99 WHERE seq = 4", "event 4 is missing"),
    ],
)
def test_tampering_shows(feeder: Feeder, statement: str, words: str) -> None:
    """A changed person, time or machine, a removed or re-numbered event: the first that does not fit is named."""
    tamper(feeder, statement)
    report = checked(feeder)
    assert not report.is_intact
    assert report.faults[0].startswith(words)
    assert "NOT intact" in report.lines()[-1]
    assert report.checkpoint.count == (0 if "event 1 " in words else 3)


def test_a_closed_gap_shows(feeder: Feeder) -> None:
    """An acceptance removed and all that follows re-numbered."""
    last = feeder.store.head.count
    moves = [f"UPDATE event SET seq = {seq - 1} WHERE seq = {seq}" for seq in range(5, last + 1)]
    tamper(feeder, "DELETE FROM event WHERE seq = 4", *moves)
    (fault,) = checked(feeder).faults
    assert "removed, exchanged or rewritten" in fault


def test_a_changed_text_shows(feeder: Feeder) -> None:
    """A reading improved in the kept log text breaks the seal of its event."""
    better = zlib.compress(DAY.replace("25.0012", "25.0002").encode()).hex()
    blob = f"X'{better}'" if feeder.store._reader.dialect.name == "sqlite" else f"'\\x{better}'"
    tamper(feeder, f"UPDATE event SET body = {blob} WHERE seq = 2")
    (fault,) = checked(feeder).faults
    assert fault.startswith("event 2 (taken) was changed after it was written")


def test_a_damaged_text_shows(feeder: Feeder) -> None:
    """What cannot even be unpacked is named as such."""
    blob = "X'00ff'" if feeder.store._reader.dialect.name == "sqlite" else r"'\x00ff'"
    tamper(feeder, f"UPDATE event SET body = {blob} WHERE seq = 2")
    (fault,) = checked(feeder).faults
    assert fault.startswith("event 2: its text cannot be unpacked")


def test_a_cut_off_end_shows_only_against_a_kept_checkpoint(feeder: Feeder) -> None:
    """The chain cannot show it: what is left fits. The checkpoint printed last week does."""
    kept = feeder.store.head
    tamper(feeder, f"DELETE FROM event WHERE seq > {kept.count - 2}")
    assert checked(feeder).is_intact
    (fault,) = checked(feeder, kept=kept).faults
    assert fault == (
        f"the end of the history was cut off: found {kept.count - 2} events, the checkpoint counts {kept.count}; "
        "missing: 2 or more"
    )


def test_a_history_written_anew_shows_against_a_kept_checkpoint(feeder: Feeder) -> None:
    """Somebody who writes a whole new chain is found out by the printed hash."""
    kept = Checkpoint(4, "0" * 63 + "1")
    (fault,) = checked(feeder, kept=kept).faults
    assert fault.startswith("event 4 is not the one of the checkpoint: the history was written anew")


@pytest.mark.parametrize("name", ["event_is_never_changed", "event_is_appended"])
def test_a_missing_guard_shows(feeder: Feeder, name: str) -> None:
    """A store without its triggers has been opened up by somebody."""
    with feeder.store.writing(later(9)) as tx:
        tx.sql.run(f"DROP TRIGGER {name}" + (" ON event" if tx.sql.connection.dialect.name == "postgresql" else ""))
    (fault,) = checked(feeder).faults
    assert name in fault


def test_a_file_damaged_on_disk_shows(tmp_path: Path) -> None:
    """A page of the file overwritten by a failing disk is found by the database's own check."""
    with Store.open(tmp_path) as store:
        feeder = Feeder(store, tmp_path)
        feeder.day(DAY)
    path = tmp_path / "state" / STORE_NAME
    connection = sqlite3.connect(path)
    page = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'measurement_of_part'").fetchone()[0]
    size = connection.execute("PRAGMA page_size").fetchone()[0]
    connection.close()
    with path.open("r+b") as file:
        file.seek((page - 1) * size + size - 20)
        file.write(b"\x55" * 20)
    with Store.open(tmp_path, readonly=True) as store:
        report = verify(store, feeder.configuration)
    assert not report.is_intact
    assert any(fault.startswith("the database is damaged") for fault in report.faults)


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE measurement SET deviation_um = 0 WHERE id = 4", "table measurement: found id 4, part_id 3"),
        ("DELETE FROM proposal", "table proposal: found no further row; the events say id 'p-"),
        ("UPDATE register_hold SET locked = NULL", "table register_hold: found machine 'M1'"),
        ("UPDATE stream SET taken = taken - 1", "table stream: found id 's1'"),
        ("UPDATE part SET part = '1180' WHERE id = 1", "table part: found id 1"),
    ],
)
def test_tables_that_do_not_say_what_the_events_say_show(feeder: Feeder, statement: str, words: str) -> None:
    """Improving a reading in the tables alone is found by the deep check, which also says that the events stand."""
    with feeder.store.writing(later(9)) as tx:
        tx.sql.run(statement)
    assert checked(feeder).is_intact
    (fault,) = checked(feeder, deep=True).faults
    assert fault.startswith(words)
    assert "can be made anew" in fault


def test_the_tables_can_be_made_anew(feeder: Feeder) -> None:
    """After a rebuild every table says again what the events say, and the next id is the next free one."""
    before = contents(feeder.store)
    with feeder.store.writing(later(9)) as tx:
        tx.sql.run("DELETE FROM measurement")
        tx.sql.run("UPDATE proposal SET status = 'open'")
        tx.keep_snapshot("M1", RADIUS, "d", 1, 1, "{}")
    with feeder.store.writing(later(10)) as tx:
        rebuild(tx, feeder.folder)
    assert contents(feeder.store) == before
    with feeder.store.reading() as sql:
        assert queries.snapshot(sql, "M1", RADIUS) is None
    with feeder.store.writing(later(11)) as tx:
        feeder.take(tx, "PART 122 PLAN 4101 DATE 20261125 TIME 100000\nFEATURE 12 ACTUAL 25.001\n", "s3")
    assert checked(feeder, deep=True).is_intact


def contents(store: Store) -> dict[str, list[tuple[object, ...]]]:
    """Every folded table, row by row."""
    with store.reading() as sql:
        return {table.name: sorted(sql.rows(f"SELECT * FROM {table.name}")) for table in schema.FOLDED}


def test_each_text_is_read_under_the_configuration_of_its_time(feeder: Feeder) -> None:
    """A plan corrected today does not change what last month's parts were judged by."""
    with feeder.store.writing(later(3)) as tx:
        feeder.configure(tx)
        texts = {**feeder.configuration.texts}
        texts["parts/4101.toml"] = texts["parts/4101.toml"].replace('"25 mm"', '"26 mm"')
        tx.append("configuration", None, {"digest": "sha256:other", "texts": texts})
    with feeder.store.reading() as sql:
        assert differences(sql, feeder.folder) == []
        assert sql.value("SELECT deviation_um FROM measurement WHERE id = 1") == -2.716  # 1.416 um of warmth taken off


@pytest.mark.parametrize("written", ["{0} {1}", "checkpoint {0} {1}", "  {0}   {1}\n"])
def test_a_checkpoint_is_read_as_it_was_printed(written: str) -> None:
    """Whether copied with its word or without."""
    assert checkpoint_of(written.format(7, "ab" * 32)) == Checkpoint(7, "ab" * 32)


@pytest.mark.parametrize("written", ["", "7", "7 abc", "ab" * 32, "-7 " + "ab" * 32, "7 " + "AB" * 32])
def test_anything_else_is_no_checkpoint(written: str) -> None:
    """A mistyped checkpoint is refused, not taken for another."""
    with pytest.raises(UsageError, match="wanted the number of events and its 64 digits"):
        checkpoint_of(written)
