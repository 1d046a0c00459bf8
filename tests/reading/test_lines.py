"""Lines a shop describes itself, by patterns with named groups."""

from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

from feedback.reading.layout import layout
from feedback.records import (
    Miss,
    NewTool,
    PartBegin,
    PartEnd,
    ProbeCalibration,
    Reading,
    RegisterReadback,
    SetterReading,
    Unreadable,
)
from feedback.registers import register
from tests.reading.control import DIAMETER, METRIC, read

OWN = layout(
    Path("own.toml"),
    r"""
    kind = "lines"
    date = "yyyy-mm-dd"
    time = "hh:mm:ss"
    skip = ['-+', '#.*']

    [[line]]
    record = "part"
    pattern = 'Run (?P<part>\w+) of (?P<plan>\w+) at (?P<date>\S+) (?P<time>\S+)'

    [[line]]
    record = "end"
    pattern = 'Run (?P<end>\w+) done'

    [[line]]
    record = "miss"
    pattern = 'D(?P<feature>\d+): no trigger'

    [[line]]
    record = "feature"
    pattern = 'D(?P<feature>\d+): (?P<actual>\S+)(?: at (?P<temp>\S+) C)?'

    [[line]]
    record = "offset"
    pattern = 'wear T(?P<tool>\d+) R(?P<radius>\S+) L(?P<length>\S+)'

    [[line]]
    record = "offset"
    pattern = 'origin G(?P<work>\d+) X(?P<x>\S+) Y(?P<y>\S+)'

    [[line]]
    record = "newtool"
    pattern = 'insert changed T(?P<newtool>\d+)'

    [[line]]
    record = "setter"
    pattern = 'preset T(?P<tool>\d+) L(?P<length>\S+)'

    [[line]]
    record = "calibration"
    pattern = 'ball (?P<probe>\d+): (?P<rxp>\S*)/(?P<rxm>\S*)'
    """,
)
LOG = """# shift 1
Run A7 of 4101 at 2026-11-25 06:45:12
wear T5 R-0.012 L0
origin G54 X102.345 Y-55.010
----
D12: 24.9987 at 22.4 C
D13: 9.001
D14: no trigger
Run A7 done

insert changed T5
preset T5 L132.4412
ball 1: 2.9981/
"""


def test_a_shop_can_describe_its_own_lines() -> None:
    """The records mean the same as those of the shipped layouts."""
    part = {"part": "A7", "plan": "4101", "at": datetime(2026, 11, 25, 6, 45, 12, tzinfo=UTC)}
    assert read(LOG, METRIC, OWN) == [
        PartBegin(line=2, **part),
        RegisterReadback(line=3, **part, register=register("tool 5 radius"), value=Decimal("-0.012")),
        RegisterReadback(line=3, **part, register=register("tool 5 length"), value=Decimal(0)),
        RegisterReadback(line=4, **part, register=register("work 54 X"), value=Decimal("102.345")),
        RegisterReadback(line=4, **part, register=register("work 54 Y"), value=Decimal("-55.010")),
        Reading(line=6, **part, feature="12", actual=Decimal("24.9987"), temperature_c=Decimal("22.4")),
        Reading(line=7, **part, feature="13", actual=Decimal("9.001")),
        Miss(line=8, **part, feature="14"),
        PartEnd(line=9, **part),
        NewTool(line=11, tool=5),
        SetterReading(line=12, tool=5, length=Decimal("132.4412")),
        ProbeCalibration(line=13, probe=1, values={"RXP": Decimal("2.9981"), "RXM": None}),
    ]


def test_machine_facts_hold_for_own_lines_too() -> None:
    """A control that stores diameters is halved whatever its lines look like."""
    readback = next(record for record in read(LOG, DIAMETER, OWN) if isinstance(record, RegisterReadback))
    assert readback.value == Decimal("-0.006")


def test_a_line_that_fits_no_pattern_is_answered() -> None:
    """An unknown line is not passed over unless the layout says so."""
    (record,) = read("Door open\n", METRIC, OWN)
    assert isinstance(record, Unreadable)
    assert record.reason == "found a line that fits no pattern of layout own; wanted a pattern for it or a skip"


def test_a_faulty_value_is_answered_with_its_column() -> None:
    """The fault is shown where the pattern's group stands."""
    record = read("Run A7 of 4101 at 2026-11-25 06:45:12\nD12: 24,9987\n", METRIC, OWN)[-1]
    assert isinstance(record, Unreadable)
    assert (record.column, record.reason) == (
        6,
        "ACTUAL: found '24,9987'; decimals use a point; wanted a number such as 24.9987",
    )


def test_a_part_whose_time_is_impossible_takes_its_readings_with_it() -> None:
    """Readings after an unreadable beginning are not counted to the part before."""
    text = "Run A6 of 4101 at 2026-11-25 06:40:00\nRun A7 of 4101 at 2026-11-31 06:45:12\nD12: 25\n"
    records = read(text, METRIC, OWN)
    assert [type(record).__name__ for record in records] == ["PartBegin", "PartEnd", "Unreadable", "Unreadable"]
