"""Tables with a header row: what each row says, and what is answered to rows that cannot be understood."""

from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest

from feedback.reading.layout import layout
from feedback.records import Miss, PartBegin, PartEnd, Reading, Unreadable
from tests.reading.control import INCH, METRIC, SHIPPED, read

COLUMNS = SHIPPED["columns"]
HEADER = "part,plan,feature,actual,nominal,temp,date,time,operator\n"
ROW = "118,4101,12,24.9987,25,22.4,20261125,064512,JB\n"
AT = datetime(2026, 11, 25, 6, 45, 12, tzinfo=UTC)


def test_a_row_is_a_reading_and_a_new_part_begins_with_the_part_column() -> None:
    """The table names the part in every row, so a change of it is what begins a part."""
    text = HEADER + ROW + "118,4101,13,MISS,,,,,JB\n" + "119,4101,12,24.9981,25,22.4,20261125,064912,JB\n"
    later = datetime(2026, 11, 25, 6, 49, 12, tzinfo=UTC)
    first = {"part": "118", "plan": "4101", "at": AT}
    second = {"part": "119", "plan": "4101", "at": later}
    stated = {"nominal": Decimal(25), "temperature_c": Decimal("22.4")}
    assert read(text, METRIC, COLUMNS) == [
        PartBegin(line=2, **first),
        Reading(line=2, **first, feature="12", actual=Decimal("24.9987"), **stated),
        Miss(line=3, **first, feature="13"),
        PartEnd(line=4, **first, stated=False),
        PartBegin(line=4, **second),
        Reading(line=4, **second, feature="12", actual=Decimal("24.9981"), **stated),
    ]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("spelling", [str, str.upper, lambda text: text.replace("\n", "\r\n")])
def test_delimiters_and_spelling_of_the_header_do_not_matter(delimiter: str, spelling) -> None:
    """Comma, semicolon and tab are told apart by the header, whose names may be written in any case."""
    text = spelling((HEADER + ROW).replace(",", delimiter))
    assert read(text, METRIC, COLUMNS) == read(HEADER + ROW, METRIC, COLUMNS)


def test_quoted_fields_may_hold_the_delimiter() -> None:
    """A comment column with a comma in it does not shift the others."""
    row = ROW.replace("JB", '"JB, night"').replace("24.9987", '"24.9987"')
    assert read(HEADER + row, METRIC, COLUMNS) == read(HEADER + ROW, METRIC, COLUMNS)


def test_blanks_may_separate_columns() -> None:
    """A printed table of fixed width is read with delimiter = "blanks"."""
    own = layout(
        Path("own.toml"),
        """
        kind = "columns"
        delimiter = ["blanks"]
        date = "dd.mm.yyyy"
        time = "hh:mm:ss"
        [columns]
        part = "Part"
        feature = "Dim"
        actual = "Meas"
        date = "Day"
        time = "At"
        """,
    )
    text = "Part  Dim   Meas      Day         At\n118   12    24.9987   25.11.2026  06:45:12\n"
    at = {"line": 2, "part": "118", "at": AT}
    assert read(text, METRIC, own) == [PartBegin(**at), Reading(**at, feature="12", actual=Decimal("24.9987"))]


def test_the_header_may_come_again() -> None:
    """Tables that were put together, or whose columns were changed in between, are read by the header in force."""
    other = "feature;part;actual\n13;118;9.001\n"
    records = read(HEADER + ROW + HEADER + ROW + other, METRIC, COLUMNS)
    assert [(record.line, record.feature) for record in records if isinstance(record, Reading)] == [
        (2, "12"),
        (4, "12"),
        (6, "13"),
    ]


def test_a_row_may_state_its_unit() -> None:
    """The unit column stands before the machine's unit, row by row."""
    text = "part,feature,actual,unit\n1,12,1,inch\n1,12,1,mm\n1,12,1,\n"
    assert [record.actual for record in read(text, INCH, COLUMNS) if isinstance(record, Reading)] == [
        Decimal("25.4"),
        Decimal(1),
        Decimal("25.4"),
    ]


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        ("118,4101,12,x,25,22.4,20261125,064512,JB", 13, "ACTUAL: found 'x'; wanted a number such as 24.9987"),
        ("118,4101,12,,25,22.4,20261125,064512,JB", 13, "actual is empty; wanted a number such as 24.9987"),
        ("118,4101,,24.9987,25,22.4,20261125,064512,JB", 10, "feature is empty; wanted its name"),
        (",4101,12,24.9987,25,22.4,20261125,064512,JB", 1, "part is empty; wanted its name"),
        (
            "118,4101,12,24,9987,25,22.4,20261125,064512,JB",
            1,
            "found 10 fields (decimals use a point); wanted 9 as in the header",
        ),
        ("118,4101,12", 1, "found 3 fields (decimals use a point); wanted 9 as in the header"),
        (
            "118,4101,12,24.9987,25,22.4,20261325,064512,JB",
            29,
            "DATE: '20261325' is not a day of the calendar; wanted yyyymmdd",
        ),
        ('118,4101,12,"24.9987,25,22.4,20261125,064512,JB', 1, None),
    ],
)
def test_rows_that_cannot_be_understood_are_answered(row: str, column: int, reason: str | None) -> None:
    """A faulty row is kept with the column of the faulty field."""
    record = read(f"{HEADER}{row}\n", METRIC, COLUMNS)[-1]
    assert isinstance(record, Unreadable)
    assert record.text == row
    assert record.column == column
    if reason is None:
        assert record.reason.startswith("found quotes that do not fit")
    else:
        assert record.reason == reason


def test_a_decimal_comma_between_semicolons_is_answered() -> None:
    """A table exported with decimal commas is not guessed at."""
    record = read("part;feature;actual\n118;12;24,9987\n", METRIC, COLUMNS)[-1]
    assert isinstance(record, Unreadable)
    assert (record.column, record.reason) == (
        8,
        "ACTUAL: found '24,9987'; decimals use a point; wanted a number such as 24.9987",
    )


def test_a_faulty_row_still_begins_its_part() -> None:
    """The part column is good although the measured value is not, so the next row belongs to the same part."""
    text = "part,feature,actual\n118,12,x\n118,13,9.001\n"
    assert [type(record).__name__ for record in read(text, METRIC, COLUMNS)] == ["PartBegin", "Unreadable", "Reading"]


def test_a_row_before_any_header_is_answered() -> None:
    """Without its header a table means nothing."""
    (record,) = read("118,12,24.9987\n", METRIC, COLUMNS)
    assert isinstance(record, Unreadable)
    assert record.reason == "found a row before any header; wanted a header row that names actual, feature, part"


def test_a_column_named_twice_is_answered() -> None:
    """Two columns of one name leave open which of them counts."""
    (record,) = read("part,feature,actual,actual\n", METRIC, COLUMNS)
    assert isinstance(record, Unreadable)
    assert record.reason == "found one column twice in the header; wanted each once"
