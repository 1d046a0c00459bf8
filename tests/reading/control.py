"""A control's side of the tests: machines as they are configured, and readers of what they print."""

from dataclasses import replace
from decimal import Decimal
from zoneinfo import ZoneInfo

from feedback.configuration.facts import Machine
from feedback.reading.layouts import Layout, load_layouts
from feedback.reading.reader import LogReader
from feedback.records import Record, Unreadable

SHIPPED = load_layouts(None)
METRIC = Machine(
    name="M1",
    logs=(),
    layout="pairs",
    unit="mm",
    least_increment_mm=Decimal("0.001"),
    dialect="g10-memory",
    tool_radius="radius",
    lag=1,
    time_zone=ZoneInfo("Europe/Lisbon"),
)
INCH = replace(METRIC, unit="inch", least_increment_mm=Decimal("0.00254"))
DIAMETER = replace(METRIC, tool_radius="diameter")
PART = "PART 118 PLAN 4101 DATE 20261125 TIME 064512\n"


def read(text: str, machine: Machine = METRIC, layout: Layout = SHIPPED["pairs"]) -> list[Record]:
    """The records of `text`, not closed."""
    return LogReader(layout, machine).push(text.encode("latin-1"))


def one(line: str, machine: Machine = METRIC) -> Record:
    """The only record of one line inside a part."""
    records = read(f"{PART}{line}\n", machine)[1:]
    assert len(records) == 1, records
    return records[0]


def fault(line: str) -> tuple[int, str]:
    """Column and reason for which a line inside a part cannot be understood."""
    record = one(line)
    assert isinstance(record, Unreadable), record
    assert record.text == line
    assert record.line == 2
    return record.column, record.reason
