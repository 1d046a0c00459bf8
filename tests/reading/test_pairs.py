"""What each line of the `pairs` layout says, and what is answered to lines that cannot be understood."""

from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.reading import reader
from feedback.records import (
    ArtefactReading,
    Miss,
    NewTool,
    PartBegin,
    PartEnd,
    ProbeCalibration,
    Reading,
    RegisterReadback,
    Repeat,
    SetterReading,
    Unreadable,
)
from feedback.registers import register
from tests.reading.control import DIAMETER, INCH, METRIC, PART, fault, one, read

QUARTER_TO_SEVEN = datetime(2026, 11, 25, 6, 45, 12, tzinfo=UTC)  # Lisbon keeps UTC in winter
BELONGS = {"line": 2, "part": "118", "plan": "4101", "at": QUARTER_TO_SEVEN}
TWELVE = Reading(**BELONGS, feature="12", actual=Decimal("24.9987"), temperature_c=Decimal("22.4"))


def test_the_whole_record_of_a_part_is_understood() -> None:
    """Every kind of record of the contract is read with its values, its part and its time."""
    text = """%
PART 118 PLAN 4101 DATE 20261125 TIME 064512
OFFSET TOOL 5 RADIUS -0.012 LENGTH 0
OFFSET WORK 54 X 102.345 Y -55.010 Z -210.004
FEATURE 12 ACTUAL 24.9987 TEMP 22.4
MISS FEATURE 13
END 118
NEWTOOL 5
SETTER TOOL 5 LENGTH 132.4412 RADIUS 4.9987

ARTEFACT RING1 ACTUAL 40.0012 X 0.0004 Y -0.0003 TEMP 21.0 DATE 20261125 TIME 060000
CALIBRATION PROBE 1 RXP 2.9981 RXM 2.9979 OFFX 0.0021 OFFY -0.0008 LENGTH 147.3312 BALL 6 DATE 20261125 TIME 060000
REPEAT RING1 POINT 1 ACTUAL 40.0011
%
"""
    part = {"part": "118", "plan": "4101", "at": QUARTER_TO_SEVEN}
    six = datetime(2026, 11, 25, 6, tzinfo=UTC)
    calibrated = {
        "RXP": "2.9981",
        "RXM": "2.9979",
        "OFFX": "0.0021",
        "OFFY": "-0.0008",
        "LENGTH": "147.3312",
        "BALL": "6",
    }
    assert read(text) == [
        PartBegin(line=2, **part),
        RegisterReadback(line=3, **part, register=register("tool 5 radius"), value=Decimal("-0.012")),
        RegisterReadback(line=3, **part, register=register("tool 5 length"), value=Decimal(0)),
        RegisterReadback(line=4, **part, register=register("work 54 X"), value=Decimal("102.345")),
        RegisterReadback(line=4, **part, register=register("work 54 Y"), value=Decimal("-55.010")),
        RegisterReadback(line=4, **part, register=register("work 54 Z"), value=Decimal("-210.004")),
        replace(TWELVE, line=5),
        Miss(line=6, **part, feature="13"),
        PartEnd(line=7, **part),
        NewTool(line=8, tool=5),
        SetterReading(line=9, tool=5, length=Decimal("132.4412"), radius=Decimal("4.9987")),
        ArtefactReading(
            line=11,
            at=six,
            artefact="RING1",
            actual=Decimal("40.0012"),
            x=Decimal("0.0004"),
            y=Decimal("-0.0003"),
            temperature_c=Decimal("21.0"),
        ),
        ProbeCalibration(line=12, at=six, probe=1, values={word: Decimal(value) for word, value in calibrated.items()}),
        Repeat(line=13, artefact="RING1", point=1, actual=Decimal("40.0011")),
    ]


@pytest.mark.parametrize(
    "line",
    [
        "FEATURE 12 ACTUAL 24.9987 TEMP 22.4",
        "feature 12 actual 24.9987 temp 22.4",
        "  FEATURE\t12   ACTUAL 24.9987 TEMP 22.4  ",
        "FEATURE=12,ACTUAL=24.9987,TEMP=22.4",
        "FEATURE = 12 , ACTUAL = 24.9987 , TEMP = 22.4",
        "FEATURE,12,ACTUAL,24.9987,TEMP,22.4",
        "FEATURE 12 TEMP 22.4 ACTUAL 24.9987 UNIT mm",
        "FEATURE 12 (BEARING, BORE = 25) ACTUAL 24.9987 TEMP 22.4 (WARM)",
        "FEATURE 12 ACTUAL 24.9987 TEMP 22.4\r",
        "\r\rFEATURE 12 ACTUAL 24.9987 TEMP 22.4\r",
    ],
)
def test_spelling_does_not_matter(line: str) -> None:
    """Case, separators, order of words, comments and line ends leave the reading the same."""
    assert one(line) == TWELVE


def test_every_word_of_a_reading_is_kept() -> None:
    """What the log states beside the actual value is there for the checks of trust."""
    line = "FEATURE 12 ACTUAL 24.9987 NOMINAL 25 LOWER 0 UPPER 0.021 TOOL 5 TEMP 22.4"
    stated = replace(TWELVE, nominal=Decimal(25), lower=Decimal(0), upper=Decimal("0.021"), tool=5)
    assert one(line) == stated
    assert one("FEATURE 12 TOOL 5. UPPER 0.021 LOWER 0 NOMINAL 25 ACTUAL 24.9987 TEMP 22.4") == stated


def test_a_line_may_state_its_own_time() -> None:
    """DATE and TIME of a record stand before those of its part."""
    reading = one("FEATURE 12 ACTUAL 24.9987 TEMP 22.4 DATE 20261125 TIME 070000")
    assert reading == replace(TWELVE, at=datetime(2026, 11, 25, 7, tzinfo=UTC))


def test_inches_are_converted_exactly() -> None:
    """A machine that prints inches is read in mm, to the last digit; temperatures are not touched."""
    assert one("FEATURE 12 ACTUAL 0.98420 TEMP 22.4", INCH) == replace(TWELVE, actual=Decimal("24.9986800"), inch=True)
    assert one("OFFSET WORK 54 X -0.0004", INCH).value == Decimal("-0.01016")


@pytest.mark.parametrize(
    ("line", "machine", "actual"),
    [
        ("FEATURE 12 ACTUAL 1 UNIT inch", METRIC, "25.4"),
        ("FEATURE 12 ACTUAL 1 UNIT MM", INCH, "1"),
    ],
)
def test_a_line_may_state_its_own_unit(line: str, machine, actual: str) -> None:
    """UNIT of a record stands before the machine's."""
    assert one(line, machine).actual == Decimal(actual)


def test_a_part_may_state_the_unit_of_all_its_lines() -> None:
    """UNIT of the part line holds until the part ends, and not beyond."""
    text = "PART 1 UNIT inch\nFEATURE 12 ACTUAL 1\nFEATURE 12 ACTUAL 1 UNIT mm\nEND 1\nPART 2\nFEATURE 12 ACTUAL 1\n"
    assert [record.actual for record in read(text) if isinstance(record, Reading)] == [
        Decimal("25.4"),
        Decimal(1),
        Decimal(1),
    ]


def test_rotary_axes_stay_degrees() -> None:
    """An inch machine's A, B and C are degrees all the same."""
    records = read(f"{PART}OFFSET WORK 54 X 1 A 1 B -0.5 C 90\n", INCH)[1:]
    assert [(str(record.register), record.value) for record in records] == [
        ("work 54 X", Decimal("25.4")),
        ("work 54 A", Decimal(1)),
        ("work 54 B", Decimal("-0.5")),
        ("work 54 C", Decimal(90)),
    ]


@pytest.mark.parametrize(
    ("line", "name"),
    [
        ("OFFSET WORK 54.1 P3 Z -1", "work 54.1 P3 Z"),
        ("OFFSET WORK 54.1 P 3 Z -1", "work 54.1 P3 Z"),
        ("offset work 54.1 p03 z -1", "work 54.1 P3 Z"),
        ("OFFSET WORK 59.3 Z -1", "work 59.3 Z"),
        ("OFFSET TOOL 7 X -1", "tool 7 x"),
        ("OFFSET TOOL 7. Z -1", "tool 7 z"),
    ],
)
def test_registers_have_their_trade_names(line: str, name: str) -> None:
    """Extended coordinate systems and turning tools are named as plans and limits name them."""
    readback = one(line)
    assert readback.register == register(name)
    assert readback.value == Decimal(-1)


@pytest.mark.parametrize(
    ("line", "machine", "radius"),
    [
        ("OFFSET TOOL 5 RADIUS -0.013", METRIC, "-0.013"),
        ("OFFSET TOOL 5 RADIUS -0.013", DIAMETER, "-0.0065"),
        ("OFFSET TOOL 5 DIAMETER -0.013", METRIC, "-0.0065"),
        ("OFFSET TOOL 5 DIAMETER -0.013", DIAMETER, "-0.0065"),
        ("OFFSET TOOL 5 RADIUS -0.0005", replace(INCH, tool_radius="diameter"), "-0.00635"),
    ],
)
def test_a_register_that_stores_diameters_is_read_as_radius(line: str, machine, radius: str) -> None:
    """Halving is exact, and asked for by the machine's configuration or by the log's own word."""
    assert one(line, machine).value == Decimal(radius)


@pytest.mark.parametrize(("machine", "radius"), [(METRIC, "9.9974"), (DIAMETER, "4.9987")])
def test_the_tool_setter_follows_the_machine(machine, radius: str) -> None:
    """A control that stores diameters prints the setter's measurement as a diameter too."""
    assert one("SETTER TOOL 5 RADIUS 9.9974", machine).radius == Decimal(radius)


def test_length_wear_is_never_halved() -> None:
    """Only radii can be stored as diameters."""
    assert one("OFFSET TOOL 5 LENGTH -0.013", DIAMETER).value == Decimal("-0.013")


def test_an_empty_calibration_value_is_kept_as_such() -> None:
    """A calibration that left a value empty has failed, which only shows if the empty word is kept."""
    calibration = one("CALIBRATION PROBE 1 RXP 2.9981 RXM RYP 2.998 RYM")
    assert calibration.values == {"RXP": Decimal("2.9981"), "RXM": None, "RYP": Decimal("2.998"), "RYM": None}


def test_a_calibration_may_name_its_artefact_and_a_check_its_probe() -> None:
    """On a machine with two probes, and for quality, the log says what was measured with what."""
    calibration = one("CALIBRATION PROBE 2 ARTEFACT RING1 RXP 2.9981 RYM")
    assert (calibration.probe, calibration.artefact) == (2, "RING1")
    assert calibration.values == {"RXP": Decimal("2.9981"), "RYM": None}
    check = one("ARTEFACT RING1 PROBE 2 ACTUAL 40.0012")
    assert (check.artefact, check.probe, check.actual) == ("RING1", 2, Decimal("40.0012"))


def test_calibration_values_are_converted_but_not_its_temperature() -> None:
    """An inch machine's effective radii are inches, degrees Celsius are not."""
    calibration = one("CALIBRATION PROBE 1 RXP 0.1 TEMP 21 UNIT inch", METRIC)
    assert calibration.values == {"RXP": Decimal("2.54"), "TEMP": Decimal(21)}


FAULTS = [
    ("FEATURE 12 ACTUAL 24,9987", 21, "found '24,9987'; decimals use a point"),
    ("FEATURE 12 ACTUAL ,9987", 19, "found ',9987'; decimals use a point"),
    ("FEATURE 12 ACTUAL -,9987", 20, "found '-,9987'; decimals use a point"),
    ("FEATURE 12 ACTUAL,,9987", 19, "found 'ACTUAL,,9987'; decimals use a point"),
    ("FEATURE 12 ACTUAL=,9987", 19, "found 'ACTUAL=,9987'; decimals use a point"),
    (
        "FEATURE 12 ACTUAL 24, 9987",
        23,
        "found '9987' in a FEATURE line; wanted one of DATE, LOWER, NOMINAL, TEMP, TIME, TOOL, UNIT, UPPER",
    ),
    ("FEATURE 12 ACTUAL", 12, "ACTUAL has no value; wanted one after it"),
    ("FEATURE 12 ACTUAL TEMP 22.4", 12, "ACTUAL has no value; wanted one after it"),
    ("FEATURE ACTUAL 24.9987", 1, "FEATURE has no value; wanted one after it"),
    ("FEATURE 12 TEMP 22.4", 17, "a FEATURE line without ACTUAL; wanted ACTUAL and its value"),
    (
        "FEATURE 12 ACTUAL 24.9987 SIZE 25",
        27,
        "found 'SIZE' in a FEATURE line; wanted one of DATE, LOWER, NOMINAL, TEMP, TIME, TOOL, UNIT, UPPER",
    ),
    ("FEATURE 12 ACTUAL 24.9987 actual 25", 27, "found ACTUAL twice; wanted it once"),
    ("FEATURE 12 ACTUAL nan", 19, "ACTUAL: found 'nan', which no probe can measure; wanted a number such as 24.9987"),
    ("FEATURE 12 ACTUAL -INF", 19, "ACTUAL: found '-INF', which no probe can measure; wanted a number such as 24.9987"),
    (
        "FEATURE 12 ACTUAL 24.9O87",
        19,
        "ACTUAL: found '24.9O87', a number with letters in it; wanted a number such as 24.9987",
    ),
    (
        "FEATURE 12 ACTUAL 2.5e1",
        19,
        "ACTUAL: found '2.5e1', a number with letters in it; wanted a number such as 24.9987",
    ),
    ("FEATURE 12 ACTUAL 24.9.87", 19, "ACTUAL: found '24.9.87'; wanted a number such as 24.9987"),
    ("FEATURE 12 ACTUAL -", 19, "ACTUAL: found '-'; wanted a number such as 24.9987"),
    ("FEATURE 12 ACTUAL .", 19, "ACTUAL: found '.'; wanted a number such as 24.9987"),
    (
        "FEATURE 12 ACTUAL 24.99870000000001",
        19,
        "ACTUAL: found '24.99870000000001', which has more than 15 digits; wanted a number such as 24.9987",
    ),
    ("FEATURE 12 ACTUAL 24.9987 TEMP x", 32, "TEMP: found 'x'; wanted a number such as 24.9987"),
    ("FEATURE 12 ACTUAL 24.9987 TOOL T5", 32, "TOOL: found 'T5'; wanted a whole number such as 5"),
    ("FEATURE 12 ACTUAL 24.9987 TOOL 5.5", 32, "TOOL: found '5.5'; wanted a whole number such as 5"),
    ("FEATURE 12 ACTUAL 24.9987 UNIT cm", 32, "UNIT: found 'cm'; wanted mm or inch"),
    (
        "FEATURE 12 ACTUAL 1 DATE 20260230 TIME 064512",
        26,
        "DATE: '20260230' is not a day of the calendar; wanted yyyymmdd",
    ),
    ("FEATURE 12 ACTUAL 1 DATE 26-11-25 TIME 064512", 26, "DATE: found '26-11-25'; wanted yyyymmdd"),
    ("FEATURE 12 ACTUAL 1 DATE 20261125 TIME 246000", 40, "TIME: '246000' is not a time of day; wanted hhmmss"),
    ("FEATURE 12 ACTUAL 1 DATE 20261125 TIME 64512", 40, "TIME: found '64512'; wanted hhmmss"),
    ("FEATURE 12 ACTUAL 1 TIME 064512", 26, "found TIME without DATE; wanted both or neither"),
    ("FEATURE 12 ACTUAL 1 DATE 20261125", 26, "found DATE without TIME; wanted both or neither"),
    (
        "FETURE 12 ACTUAL 24.9987",
        1,
        (
            "found 'FETURE'; wanted a line that begins with"
            " ARTEFACT, CALIBRATION, END, FEATURE, MISS, NEWTOOL, OFFSET, PART, REPEAT, SETTER"
        ),
    ),
    ("MISS 13", 6, "found '13' after MISS; wanted FEATURE"),
    ("OFFSET", 1, "found nothing after OFFSET; wanted TOOL or WORK"),
    ("OFFSET TOOL 5", 13, "OFFSET TOOL without a value; wanted RADIUS, LENGTH, X or Z with a number"),
    ("OFFSET WORK 54", 13, "OFFSET WORK without a value; wanted X, Y, Z, A, B or C with a number"),
    ("OFFSET WORK 53 X 1", 13, "WORK: found '53'; wanted a coordinate system such as 54 or 54.1 P3"),
    ("OFFSET WORK 54.1 X 1", 13, "WORK: found 54.1 without its number; wanted for example 54.1 P3"),
    (
        "OFFSET WORK 54.1 PX X 1",
        18,
        "found 'PX' in an OFFSET WORK line; wanted one of A, B, C, DATE, P, TIME, UNIT, X, Y, Z",
    ),
    ("OFFSET TOOL 5 RADIUS 1 DIAMETER 2", 33, "found both RADIUS and DIAMETER; wanted one of them"),
    (
        "OFFSET TOOL 5 RADIUS -0.O12 LENGTH 0",
        22,
        "RADIUS: found '-0.O12', a number with letters in it; wanted a number such as 24.9987",
    ),
    ("SETTER TOOL 5", 13, "SETTER without a value; wanted LENGTH or RADIUS with a number"),
    ("NEWTOOL", 1, "NEWTOOL has no value; wanted one after it"),
    ("CALIBRATION PROBE 1 RXP 2.9 2.8", 29, "found '2.8' after the value of RXP; wanted a word"),
    (
        "CALIBRATION PROBE 1 RXP nan",
        25,
        "RXP: found 'nan', which no probe can measure; wanted a number such as 24.9987",
    ),
    ("CALIBRATION PROBE 1 RXP 2.9 RXP 2.8", 29, "found RXP twice; wanted it once"),
    ("CALIBRATION PROBE RXP 2.9", 13, "PROBE has no value; wanted one after it"),
    ("REPEAT RING1 ACTUAL 40.0011", 21, "a REPEAT line without POINT; wanted POINT and its value"),
    ("FEATURE 12 (BORE ACTUAL 1", 12, "found '(' without its partner; wanted a comment in ( )"),
    ("FEATURE 12 ACTUAL 1 ) X", 21, "found ')' without its partner; wanted a comment in ( )"),
    ("END 119", 5, "END: found '119' while part '118' is open; wanted its end"),
    (
        "FEATURE 12 ACTUAL 24.98FEATURE 13 ACTUAL 25.01",
        32,
        "found '13' in a FEATURE line; wanted one of DATE, LOWER, NOMINAL, TEMP, TIME, TOOL, UNIT, UPPER",
    ),
]


@pytest.mark.parametrize(("line", "column", "reason"), FAULTS, ids=[line for line, *_ in FAULTS])
def test_what_cannot_be_understood_is_answered(line: str, column: int, reason: str) -> None:
    """A faulty line is kept whole with the column of the fault, what was found and what was wanted."""
    assert fault(line) == (column, reason)


@pytest.mark.parametrize(
    ("raw", "column", "shown"),
    [
        ("FEATURE 12 ACTUAL 24\xb79987", 21, "FEATURE 12 ACTUAL 24\\xb79987"),
        ("FEATURE 12 \x00ACTUAL 1", 12, "FEATURE 12 \\x00ACTUAL 1"),
        ("FEATURE 12\xa0ACTUAL 1", 11, "FEATURE 12\\xa0ACTUAL 1"),
        ("FEATURE 12\x1cACTUAL 1", 11, "FEATURE 12\\x1cACTUAL 1"),
    ],
)
def test_bytes_outside_ascii_are_shown_and_refused(raw: str, column: int, shown: str) -> None:
    """Transmission errors and foreign code pages are named by their byte, and the line can be shown anywhere."""
    record = one(raw)
    assert isinstance(record, Unreadable)
    assert record.column == column
    assert record.text == shown
    assert record.reason == f"found the byte 0x{ord(raw[column - 1]):02x}; wanted printable ASCII characters only"


def test_a_line_longer_than_any_record_is_refused() -> None:
    """Something that runs on without a line end is no record, even if it begins like one."""
    line = "FEATURE 12 ACTUAL 24.9987" + " " * 5000
    assert fault(line) == (reader.LONGEST_LINE + 1, "the line has 5025 characters; wanted at most 4096")


def test_a_byte_order_mark_at_the_beginning_is_passed_over() -> None:
    """Some programs mark a text file's encoding; that is no reason to lose the first part."""
    assert read("\xef\xbb\xbf" + PART) == read(PART)


def test_a_comma_between_words_is_no_decimal_comma() -> None:
    """A part that is followed by a comma and its plan is understood."""
    assert read("PART,118,PLAN,4101\n") == [PartBegin(line=1, part="118", plan="4101")]


@given(
    number=st.from_regex(r"[+-]?([0-9]{1,8}(\.[0-9]{0,7})?|\.[0-9]{1,7})", fullmatch=True),
    machine=st.sampled_from([METRIC, INCH, DIAMETER]),
)
def test_numbers_keep_every_digit(number: str, machine) -> None:
    """A reading in mm is the printed number; one in inch is exactly 25.4 times it."""
    actual = one(f"FEATURE 12 ACTUAL {number}", machine).actual
    assert Fraction(actual) == Fraction(number) * (Fraction("25.4") if machine is INCH else 1)


WORD = st.sampled_from(
    [
        "FEATURE 12",
        "ACTUAL 24.9987",
        "NOMINAL 25",
        "LOWER -0.1",
        "UPPER +0.1",
        "TOOL 5",
        "TEMP 22.4",
        "UNIT mm",
        "X 1",
        "12",
    ]
)
SPELLING = st.sampled_from(
    [str, str.lower, lambda line: line.replace(" ", "  "), lambda line: f"{line} \r", lambda line: f" {line}"]
)


@given(words=st.lists(WORD, min_size=1, max_size=8), spelling=SPELLING, machine=st.sampled_from([METRIC, INCH]))
def test_the_short_way_and_the_long_way_agree(words: list[str], spelling, machine) -> None:
    """A line taken the short way says the same as with a comment, which always goes the long way."""
    line = spelling("FEATURE 12 " + " ".join(words))
    short, long = one(line, machine), one(f"{line.rstrip()} ()", machine)
    if isinstance(short, Unreadable):
        assert isinstance(long, Unreadable)
        assert (short.column, short.reason) == (long.column, long.reason)
    else:
        assert short == long
