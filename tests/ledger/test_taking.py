"""What one day's log text leaves in the tables: every line once, with its place, its time and its part."""

from collections.abc import Sequence
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from feedback.ledger import queries
from feedback.ledger.chain import microseconds
from feedback.ledger.rows import doubts_by_line, doubts_of
from feedback.ledger.sql import Sql
from feedback.ledger.store import Store
from feedback.records import Reading
from feedback.registers import register
from tests.ledger.feeding import DAY, Feeder
from tests.ledger.shop import MORNING, RADIUS, later


@pytest.fixture
def fed(store: Store, tmp_path: Path) -> Store:
    Feeder(store, tmp_path).day()
    return store


def rows(store: Store, statement: str) -> list[tuple[object, ...]]:
    with store.reading() as sql:
        return sql.rows(statement)


def at(hour: int, minute: int, second: int = 0) -> int:
    return microseconds(datetime(2026, 11, 25, hour, minute, second, tzinfo=UTC))


def test_every_part_is_kept_with_its_line_and_time(fed: Store) -> None:
    """A part whose PART line prints no time has the time of its first reading; all three are complete."""
    assert rows(fed, "SELECT id, part, plan, line, at_us, ended FROM part ORDER BY id") == [
        (1, "118", "4101", 2, at(6, 45, 12), 2),
        (2, "119", "4102", 13, at(7, 15, 44), 2),
        (3, "120", "4101", 17, at(7, 30), 2),
    ]


def test_every_measurement_is_kept_exactly(fed: Store) -> None:
    """The value is kept digit by digit beside the deviation of the part at 20 degC, in micrometres.

    25 mm of aluminium are 1.416 um bigger at 22.4 degC.
    """
    statement = (
        "SELECT part_id, feature, line, actual, deviation_um, temperature_c, doubts FROM measurement ORDER BY id"
    )
    assert rows(fed, statement) == [
        (1, "4101/12", 4, "24.9987", -2.716, 22.4, None),
        (1, "4101/13", 5, "-7.998", 2.0, None, None),
        (2, "4102/13", 16, "-9.002", -2.0, None, None),
        (3, "4101/12", 18, "25.0012", 1.2, None, None),
    ]


def test_register_prints_belong_to_their_part(fed: Store) -> None:
    """A print between parts belongs to none; one before the first time of a file was made just before that."""
    statement = "SELECT register, value, line, part_id, at_us FROM register_value ORDER BY id"
    assert rows(fed, statement) == [
        ("work 54 X", "102.345", 1, None, at(6, 45, 12) - 1),
        ("tool 5 radius", "-0.012", 3, 1, at(6, 45, 12)),
        ("tool 5 length", "0", 3, 1, at(6, 45, 12)),
    ]


def test_a_line_without_a_time_between_parts_follows_the_last_part(fed: Store) -> None:
    """NEWTOOL prints no time: the tool was changed after the part before it, at the earliest."""
    assert rows(fed, "SELECT tool, line, part_id, at_us FROM new_tool") == [(5, 8, None, at(6, 45, 12))]


def test_one_wrong_date_does_not_carry_on(store: Store, tmp_path: Path) -> None:
    """An undated line takes the time printed last, not the latest: a mistyped year stays with its own line."""
    dated = "ARTEFACT RING1 ACTUAL 40.0012 DATE {} TIME 060000\n"
    Feeder(store, tmp_path).day(dated.format("20621125") + dated.format("20261125") + "NEWTOOL 5\n")
    assert rows(store, "SELECT at_us FROM new_tool") == [(at(6, 0),)]


def test_other_records_are_kept_by_kind(fed: Store) -> None:
    """Calibration, checks, repeats, setter and misses are there for whoever judges the probe."""
    with fed.reading() as sql:
        (miss,) = queries.other_records(sql, "M1", "miss")
        (setter,) = queries.other_records(sql, "M1", "setter")
        (ring,) = queries.other_records(sql, "M1", "artefact")
        (calibration,) = queries.other_records(sql, "M1", "calibration")
        (repeat,) = queries.other_records(sql, "M1", "repeat")
    assert (miss["feature"], miss["part_id"], miss["source"]) == ("12", 2, "M1/s1.txt:14")
    assert (setter["tool"], setter["length"], setter["radius"]) == (5, "132.4412", "4.9987")
    assert (ring["artefact"], ring["actual"], ring["temperature_c"]) == ("RING1", "40.0012", "21.0")
    assert (calibration["values"]["RXP"], calibration["at_us"]) == ("2.9981", at(7, 0))
    assert (repeat["point"], repeat["actual"]) == (1, "40.0011")


def test_what_cannot_be_understood_is_kept_with_its_place(fed: Store) -> None:
    """An unknown feature and a decimal comma: file, line, column and reason."""
    with fed.reading() as sql:
        unknown, comma = queries.unreadables(sql)
    assert (unknown.path, unknown.line) == ("M1/s1.txt", 6)
    assert "unknown feature '14'" in unknown.reason
    assert (comma.path, comma.line, comma.column, comma.text) == ("M1/s1.txt", 15, 21, "FEATURE 13 ACTUAL -9,002")


def test_odd_bytes_can_be_kept(store: Store, tmp_path: Path) -> None:
    """A line of NUL bytes from a broken transfer is stored by every database."""
    Feeder(store, tmp_path).day("FEATURE\0\0 12\nPA\xffRT\n")
    with store.reading() as sql:
        first, second = queries.unreadables(sql)
    assert "\0" not in first.text
    assert "xff" in second.text


def test_a_part_may_arrive_in_pieces(store: Store, tmp_path: Path) -> None:
    """The lines of one part come in three texts: one part, complete with the last."""
    feeder = Feeder(store, tmp_path)
    lines = DAY.splitlines(keepends=True)
    feeder.day("".join(lines[:4]))
    assert rows(store, "SELECT part, ended FROM part") == [("118", None)]
    with store.writing(later(1)) as tx:
        feeder.take(tx, "".join(lines[4:5]))
    with store.writing(later(2)) as tx:
        end = feeder.take(tx, "".join(lines[5:8]))
    assert rows(store, "SELECT part, ended FROM part") == [("118", end)]
    assert rows(store, "SELECT part_id, line FROM measurement ORDER BY id") == [(1, 4), (1, 5)]


def test_a_stream_knows_how_far_it_was_taken(fed: Store) -> None:
    """After a restart reading goes on at the byte and line where it stopped."""
    with fed.reading() as sql:
        (stream,) = queries.streams(sql, "M1")
        assert queries.streams(sql, "M2") == []
    assert (stream.id, stream.path, stream.taken, stream.lines) == ("s1", "M1/s1.txt", len(DAY), 19)
    assert stream.reader is not None
    assert stream.reader["lines"] == 19
    assert not stream.finished


def test_a_rotated_file_ends_its_stream(fed: Store, store: Store, tmp_path: Path) -> None:
    """The half-written line of a file that went away is kept as unreadable, and its part is over."""
    feeder = Feeder(store, tmp_path)
    with store.writing(later(1)) as tx:
        feeder.configure(tx)
        feeder.take(tx, "PART 7 PLAN 4101 DATE 20261125 TIME 080000\nFEATURE 12 ACTUAL 25.001\n", "s2")
    with store.writing(later(1)) as tx:
        end = feeder.close(tx, "FEATURE 13 ACT", "s2")
    assert rows(store, "SELECT part, ended FROM part WHERE stream = 's2'") == [("7", end)]
    with store.reading() as sql:
        (half,) = queries.unreadables(sql, after=end - 1)
        closed = next(stream for stream in queries.streams(sql) if stream.id == "s2")
    assert (half.text, half.line) == ("FEATURE 13 ACT", 3)
    assert closed.finished
    assert closed.taken > 0


def test_a_file_that_never_held_a_whole_line_leaves_its_half_line(store: Store, tmp_path: Path) -> None:
    """Even then nothing is dropped."""
    feeder = Feeder(store, tmp_path)
    with store.writing(MORNING) as tx:
        feeder.configure(tx)
        feeder.close(tx, "PART 1")
    with store.reading() as sql:
        assert [row.text for row in queries.unreadables(sql)] == ["PART 1"]
        assert [(row.taken, row.lines, row.finished) for row in queries.streams(sql)] == [(0, 0, True)]


def test_inches_and_diameters_are_kept_as_millimetres_and_radii(store: Store, tmp_path: Path) -> None:
    """M2 prints inches and tool diameters: 0.0004 in of diameter is 0.00508 mm of radius, exactly."""
    feeder = Feeder(store, tmp_path)
    feeder.day()
    text = "PART 1 PLAN 4101 DATE 20261125 TIME 070000\nOFFSET TOOL 5 RADIUS -0.0004\nFEATURE 12 ACTUAL 0.9842\nEND 1\n"
    with store.writing(later(1)) as tx:
        feeder.take(tx, text, "m2", "M2")
    with store.reading() as sql:
        (value,) = queries.register_values(sql, "M2").values()
    assert f"{value:f}".rstrip("0") == "-0.00508"
    (measured,) = rows(store, "SELECT actual, deviation_um FROM measurement WHERE part_id = 4")
    assert str(measured[0]).rstrip("0") == "24.99868"
    assert measured[1] == pytest.approx(-1.32)


def test_registers_show_their_newest_print(fed: Store, store: Store, tmp_path: Path) -> None:
    """What a register holds is what was printed last."""
    with store.reading() as sql:
        before = queries.register_values(sql, "M1")
    assert str(before[register(RADIUS)]) == "-0.012"
    feeder = Feeder(store, tmp_path)
    with store.writing(later(1)) as tx:
        feeder.configure(tx)
        feeder.take(tx, "OFFSET TOOL 5 RADIUS -0.018\n", "s2")
    with store.reading() as sql:
        assert str(queries.register_values(sql, "M1")[register(RADIUS)]) == "-0.018"


def test_evidence_names_file_and_line(fed: Store) -> None:
    """The reviewer can open the log where each reading stands, newest last."""
    with fed.reading() as sql:
        assert queries.evidence_lines(sql, "M1", ["4101/12"], 5) == ["M1/s1.txt:4", "M1/s1.txt:18"]
        assert queries.evidence_lines(sql, "M1", ["4101/12"], 1) == ["M1/s1.txt:18"]
        assert queries.evidence_lines(sql, "M1", ["4101/12", "4102/13"], 2) == ["M1/s1.txt:16", "M1/s1.txt:18"]
        assert queries.evidence_lines(sql, "M2", ["4101/12"], 5) == []
        assert queries.evidence_lines(sql, "M1", [], 5) == []


def test_a_doubted_reading_is_kept_marked_and_is_no_evidence(store: Store, tmp_path: Path) -> None:
    """The doubt stands beside the reading, in the table and in the event."""
    feeder = Feeder(store, tmp_path)
    with store.writing(MORNING) as tx:
        feeder.configure(tx)
        feeder.take(tx, DAY, doubted=(4, 5))
    doubts = '[["nominal", "another program ran"]]'
    assert rows(store, "SELECT doubts FROM measurement ORDER BY id") == [(doubts,), (doubts,), (None,), (None,)]
    with store.reading() as sql:
        assert queries.evidence_lines(sql, "M1", ["4101/12"], 5) == ["M1/s1.txt:18"]
        taken = queries.latest(sql, "taken")
    assert taken is not None
    assert taken.content["doubts"] == [["nominal", "another program ran", [[4, 5]]]]


def test_a_failed_check_marks_what_came_before_it(fed: Store) -> None:
    """After a failed ring check the parts since the last good one are doubted; others are not."""
    with fed.writing(later(1)) as tx:
        tx.append("doubted", "M1", _doubt(1, until=[QUARTER_PAST_SEVEN, 2]))
    assert rows(fed, "SELECT doubts FROM measurement ORDER BY id") == [(MARK,), (MARK,), (MARK,), (None,)]


def test_parts_that_come_while_the_probe_fails_are_doubted_too(fed: Store, tmp_path: Path) -> None:
    """Until a check passes, what is measured is marked as it arrives; a late part of that time is marked afterwards."""
    feeder = Feeder(fed, tmp_path)
    with fed.writing(later(1)) as tx:
        tx.append("doubted", "M1", _doubt(1, since=[QUARTER_PAST_SEVEN, 2]))
        feeder.configure(tx)
        feeder.take(tx, "PART 121 PLAN 4101 DATE 20261125 TIME 074500\nFEATURE 12 ACTUAL 25\n", "s2")
        tx.append("doubt-ended", "M1", {"id": 1, "until": [at(7, 35), 3], "why": "passed"})
    assert rows(fed, "SELECT doubts FROM measurement ORDER BY id") == [(None,), (None,), (None,), (MARK,), (None,)]
    with fed.writing(later(2)) as tx:
        feeder.take(tx, "PART 120 PLAN 4102 DATE 20261125 TIME 072000\nFEATURE 13 ACTUAL -9\n", "s3")
    assert rows(fed, "SELECT doubts FROM measurement ORDER BY id")[-1] == (MARK,)


def test_a_lifted_doubt_leaves_other_doubts_as_they_are(fed: Store) -> None:
    """A person answers for one failed check of one probe, and for nothing else."""
    with fed.writing(later(1)) as tx:
        tx.append("doubted", "M1", _doubt(1))
        tx.append("doubted", "M1", {**_doubt(2, since=[QUARTER_PAST_SEVEN, 2]), "words": "another"})
        lifted = {"probe": 1, "ids": [1], "by": "fm1", "why": "a chip on the ring"}
        tx.append("doubt-lifted", "M1", lifted)
    other = '[["probe:2", "another"]]'
    assert rows(fed, "SELECT doubts FROM measurement ORDER BY id") == [(None,), (None,), (None,), (other,)]
    assert rows(fed, "SELECT id, lifted FROM probe_doubt ORDER BY id") == [(1, True), (2, False)]


MARK = '[["probe:1", "RING1 reads 0.009 mm too large"]]'
QUARTER_PAST_SEVEN = at(7, 15, 44)


def _doubt(id: int, since: Sequence[int] = (-(2**62), -1), until: Sequence[int] | None = None) -> dict[str, Any]:
    words = "RING1 reads 0.009 mm too large"
    return {"id": id, "probe": 1, "since": list(since), "until": until, "words": words}


def test_doubts_are_kept_by_spans_of_lines() -> None:
    """A thousand readings delivered twice take one line of the event, not a thousand."""
    spans = [["delivered-before", "delivered before", [[3, 1002]]], ["tool", "wrong tool", [[7, 7], [9, 9]]]]
    by_line = doubts_by_line(spans)
    assert len(by_line) == 1000
    assert by_line[7] == [("delivered-before", "delivered before"), ("tool", "wrong tool")]
    assert by_line[8] == [("delivered-before", "delivered before")]
    assert doubts_of([]) == []


def test_a_reading_that_was_not_resolved_is_refused(store: Store, tmp_path: Path) -> None:
    """A reading without its plan has no deviation: that is a mistake of ours, and nothing is written."""
    feeder = Feeder(store, tmp_path)
    feeder.day("")
    reading = Reading(line=1, feature="12", actual=Decimal(25))
    with pytest.raises(TypeError, match="found Reading at line 1; wanted resolved records"):
        _take(store, [reading])
    assert store.head.count == 2


def _take(store: Store, records: list[Reading]) -> None:
    with store.writing(MORNING) as tx:
        tx.append("taken", "M1", {"stream": "s1", "path": "M1/s1.txt"}, b"", records)


def test_the_latest_decision_of_each_register_counts(store: Store) -> None:
    """The history keeps every decision, the table the newest."""
    entry = {"register": RADIUS, "part": "118", "answer": "wait", "cause": "none"}
    newer = {**entry, "part": "119", "answer": "leave"}
    other = {**entry, "register": "tool 6 radius"}
    body = str([entry, newer, other]).replace("'", '"').encode()
    with store.writing(MORNING) as tx:
        tx.append("decided", "M1", {"decisions": 3}, body)
    with store.reading() as sql:
        assert queries.decisions(sql, "M1") == [newer, other]
    with store.writing(later(1)) as tx:
        tx.append("decision", "M1", {**newer, "answer": "hold"})
    with store.reading() as sql:
        assert [decision["answer"] for decision in queries.decisions(sql, "M1")] == ["hold", "wait"]
        assert queries.decisions(sql, "M2") == []


def test_measurements_come_as_a_table(fed: Store) -> None:
    """One row a measurement, in order of time, for whoever analyses a month of parts."""
    with fed.reading() as sql:
        frame = queries.measurements(sql, "M1")
        assert len(queries.measurements(sql)) == 4
        assert queries.measurements(sql, "M2").empty
    assert list(frame["part"]) == ["118", "118", "119", "120"]
    assert str(frame["at"].iloc[0]) == "2026-11-25 06:45:12+00:00"
    assert list(frame["deviation_um"]) == [-2.716, 2.0, -2.0, 1.2]
    assert (frame["path"].iloc[0], frame["line"].iloc[0]) == ("M1/s1.txt", 4)


def test_the_history_comes_as_a_table(fed: Store) -> None:
    """Number, time, kind and content of every event."""
    with fed.reading() as sql:
        frame = queries.history(sql)
        assert list(queries.history(sql, "M2")["kind"]) == ["configuration"]
    assert list(frame["seq"]) == [1, 2]
    assert list(frame["kind"]) == ["configuration", "taken"]
    assert frame["payload"].iloc[1]["lines"] == 19


def test_the_story_can_be_narrowed(fed: Store) -> None:
    """By machine, by kind, and to the last few."""
    with fed.reading() as sql:
        assert [event.kind for event in queries.story(sql, "M1", last=1)] == ["taken"]
        assert [event.kind for event in queries.story(sql, kinds=["configuration"])] == ["configuration"]
        assert queries.latest(sql, "accepted") is None
        assert _bodies(sql) == [None, None]


def _bodies(sql: Sql) -> list[bytes | None]:
    return [event.body for event in queries.story(sql)]
