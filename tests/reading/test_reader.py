"""The reader between lines: parts that begin and end, lines that come in pieces, and going on after a stop."""

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.reading.layout import Layout, layout
from feedback.reading.reader import LogReader, ReaderState
from feedback.records import NewTool, PartBegin, PartEnd, Reading, Record, Unreadable
from tests.reading.control import METRIC, PART, SHIPPED, read

OWN_LINES = layout(
    Path("own.toml"),
    """
    kind = "lines"
    skip = ["-+"]
    [[line]]
    record = "part"
    pattern = 'PART (?P<part>\\S+) PLAN (?P<plan>\\S+).*'
    [[line]]
    record = "feature"
    pattern = 'FEATURE (?P<feature>\\S+) ACTUAL (?P<actual>\\S+).*'
    """,
)


def kinds(records: Sequence[Record]) -> list[str]:
    return [type(record).__name__ for record in records]


def test_the_next_part_ends_the_one_before() -> None:
    """A part whose end is missing is cut short where the next begins, and says so."""
    assert read("PART 1 PLAN 7\nPART 2 PLAN 7\nEND 2\n") == [
        PartBegin(line=1, part="1", plan="7"),
        PartEnd(line=2, part="1", plan="7", stated=False),
        PartBegin(line=2, part="2", plan="7"),
        PartEnd(line=3, part="2", plan="7", stated=True),
    ]


@pytest.mark.parametrize(
    ("line", "found"), [("FEATURE 12 ACTUAL 1", "FEATURE"), ("MISS FEATURE 12", "MISS"), ("END 118", "END 118")]
)
def test_nothing_is_measured_outside_a_part(line: str, found: str) -> None:
    """A reading before the first part or after an end belongs to nothing, and is not given to the part before."""
    for before in ("", PART + "END 118\n"):
        record = read(f"{before}{line}\n")[-1]
        assert isinstance(record, Unreadable)
        assert record.reason == f"found {found} outside a part; wanted a PART line before it"
        assert record.part is None


def test_registers_and_tools_are_read_between_parts_too() -> None:
    """What concerns the machine needs no part, and inside one it is noted with it."""
    assert read("NEWTOOL 5\n" + PART + "NEWTOOL 6\n")[::2] == [
        NewTool(line=1, tool=5),
        NewTool(line=3, tool=6, part="118", plan="4101", at=datetime(2026, 11, 25, 6, 45, 12, tzinfo=UTC)),
    ]


@pytest.mark.parametrize(
    "beginning",
    [
        "PART 119 PLAN 4101 DATE 20261325 TIME 064512",
        "PART 119 PLAN",
        "PART",
        "part 119 plan 4101 plan 4101",
        "PA\x81T 119 PLAN 4101",
        "FEATURE 12 ACTPART 119 PLAN 4101 DATE 20261125 TIME 064512",
    ],
)
def test_a_part_that_begins_unreadably_is_not_counted_to_the_part_before(beginning: str) -> None:
    """Readings after a garbled beginning would be put on the wrong part, so they are unreadable until the next part."""
    records = read(f"{PART}{beginning}\nFEATURE 12 ACTUAL 1\nEND 119\nPART 120 PLAN 4101\nFEATURE 12 ACTUAL 1\n")
    assert kinds(records) == ["PartBegin", "PartEnd", "Unreadable", "Unreadable", "Unreadable", "PartBegin", "Reading"]
    assert [record.part for record in records] == ["118", "118", None, None, None, "120", "120"]
    assert records[3].reason == (
        "found FEATURE outside a part: its part began on line 2, which could not be read; wanted a readable PART line"
    )


def test_a_wrong_end_leaves_the_part_open() -> None:
    """The end of another part is answered, and the open part goes on."""
    assert kinds(read(PART + "END 119\nFEATURE 12 ACTUAL 1\nEND 118\n")) == [
        "PartBegin",
        "Unreadable",
        "Reading",
        "PartEnd",
    ]


def test_a_half_written_line_is_no_reading_until_its_end_comes() -> None:
    """24.9987 must never be taken as 24.9 because the line was still being written."""
    reader = LogReader(SHIPPED["pairs"], METRIC)
    assert kinds(reader.push(PART.encode() + b"FEATURE 12 ACTUAL 24.9")) == ["PartBegin"]
    assert [record.actual for record in reader.push(b"987\n") if isinstance(record, Reading)] == [Decimal("24.9987")]


def test_a_half_written_last_line_is_kept_as_unreadable() -> None:
    """When nothing follows any more, the unfinished line is shown with what is missing, and its part is cut short."""
    reader = LogReader(SHIPPED["pairs"], METRIC)
    reader.push(PART.encode() + b"FEATURE 12 ACTUAL 24.9")
    half, end = reader.close()
    assert isinstance(half, Unreadable)
    assert (half.line, half.column, half.text, half.part) == (2, 23, "FEATURE 12 ACTUAL 24.9", "118")
    assert half.reason == "the line is half-written: it has no line end; wanted the rest of it"
    assert end == PartEnd(line=2, part="118", plan="4101", at=half.at, stated=False)
    assert reader.close() == []


@pytest.mark.parametrize("ending", [b"", b"%", b"\r", b" % "])
def test_an_end_mark_without_a_line_end_says_nothing(ending: bytes) -> None:
    """A file that ends in a bare % is complete."""
    reader = LogReader(SHIPPED["pairs"], METRIC)
    reader.push(PART.encode() + b"END 118\n" + ending)
    assert reader.close() == []


LINES = st.sampled_from(
    [
        b"PART 118 PLAN 4101 DATE 20261125 TIME 064512\n",
        b"PART 119 PLAN 4101 UNIT inch\r\n",
        b"PART 120 PLAN 4101 DATE 20261399 TIME 064512\n",
        b"FEATURE 12 ACTUAL 24.9987 TEMP 22.4\n",
        b"FEATURE 13 ACTUAL 24,9987\n",
        b"FEATURE 12 ACTUAL\n",
        b"MISS FEATURE 13\n",
        b"OFFSET TOOL 5 RADIUS -0.012 LENGTH 0\n",
        b"END 118\n",
        b"END 119\r\n",
        b"%\n",
        b"\r\n",
        b"\xef\xbb\xbf\n",
        b"F\xc4ATURE 12 ACTUAL 1\n",
        b"part,plan,feature,actual\n",
        b"Part;Feature;Actual;Date;Time\r\n",
        b"118,4101,12,24.9987\n",
        b"118,4101,13,MISS\n",
        b"119,4101,12,24.9987\n",
        b"119;12;24.9987;20261125;064512\n",
        b"119;12;24,9987;20261125;064512\n",
        b"---\n",
    ]
)
LOG = st.builds(
    lambda lines, rest: b"".join(lines) + rest, st.lists(LINES, max_size=30), st.sampled_from([b"", b"FEAT", b"%"])
)
LAYOUT = st.sampled_from([SHIPPED["pairs"], SHIPPED["columns"], OWN_LINES])


def whole(log: bytes, how: Layout) -> list[Record]:
    reader = LogReader(how, METRIC)
    return reader.push(log) + reader.close()


@given(log=LOG, how=LAYOUT, cuts=st.lists(st.integers(0, 2000)))
def test_it_does_not_matter_in_which_pieces_a_log_arrives(log: bytes, how: Layout, cuts: list[int]) -> None:
    """A log pushed whole, byte by byte or in any pieces gives the same records."""
    places = sorted({0, *(cut % (len(log) + 1) for cut in cuts), len(log)})
    pieces = [log[start:end] for start, end in pairwise(places)]
    for way in (pieces, [log[n : n + 1] for n in range(len(log))]):
        reader = LogReader(how, METRIC)
        records = [record for piece in way for record in reader.push(piece)]
        assert records + reader.close() == whole(log, how)


@given(log=LOG, how=LAYOUT, stops=st.sets(st.integers(0, 30)))
def test_reading_goes_on_after_any_line(log: bytes, how: Layout, stops: set[int]) -> None:
    """A reader stopped after any line, kept as JSON and started again reads the rest as if it had never stopped."""
    lines = log.splitlines(keepends=True)
    records: list[Record] = []
    reader = LogReader(how, METRIC)
    for number, line in enumerate(lines):
        if number in stops:
            state = ReaderState.from_json(json.loads(json.dumps(reader.state.to_json())))
            assert state == reader.state
            reader = LogReader(how, METRIC, state)
        records += reader.push(line)
    assert records + reader.close() == whole(log, how)
    assert reader.state.bytes == len(log)


@given(log=LOG)
def test_every_line_is_accounted_for(log: bytes) -> None:
    """No line is dropped in silence: each that holds anything gives records of its own number."""
    records = whole(log, SHIPPED["pairs"])
    spoken = {record.line for record in records if not (isinstance(record, PartEnd) and not record.stated)}
    lines = log.removeprefix(b"\xef\xbb\xbf").split(b"\n")
    assert spoken == {number for number, line in enumerate(lines, start=1) if line.strip() not in (b"", b"%")}


@given(st.binary(max_size=300), LAYOUT)
def test_no_bytes_can_break_the_reader(log: bytes, how: Layout) -> None:
    """Whatever arrives, there are records and no error, and every byte is counted."""
    reader = LogReader(how, METRIC)
    reader.push(log)
    reader.close()
    assert reader.state.bytes == len(log)
