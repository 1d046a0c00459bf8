"""The plain words in which `trueup read --layout` says how a line was understood."""

from feedback.reading.describe import describe
from tests.reading.control import INCH, read

LOG = """PART 118 PLAN 4101 DATE 20261125 TIME 064512
OFFSET TOOL 5 RADIUS -0.012
OFFSET WORK 54 B 1.500
FEATURE 12 ACTUAL 24.9987 NOMINAL 25 TOOL 5 TEMP 22.4
FEATURE 13 ACTUAL 1 UNIT inch
MISS FEATURE 13
END 118
PART 119
PART 120
NEWTOOL 5
SETTER TOOL 5 LENGTH 132.4412 RADIUS 4.9987
ARTEFACT RING1 ACTUAL 40.0012 X 0.0004 Y -0.0003 TEMP 21.0
CALIBRATION PROBE 1 RXP 2.9981 RXM
REPEAT RING1 POINT 1 ACTUAL 40.0011
HELLO
"""


def test_every_kind_of_line_is_said_in_plain_words() -> None:
    """One line for each record, with values in mm, degrees and degrees Celsius."""
    assert [describe(record) for record in read(LOG)] == [
        "part 118 of plan 4101 begins at 2026-11-25 06:45:12 UTC",
        "register tool 5 radius holds -0.012 mm",
        "register work 54 B holds 1.5 deg",
        "feature 12 of part 118 reads 24.9987 at 22.4 degC, stated: nominal 25 tool 5",
        "feature 13 of part 118 reads 25.4 (printed in inch)",
        "feature 13 was missed: the probe did not trigger",
        "part 118 ends",
        "part 119 begins",
        "part 119 ends, cut short: no end was stated",
        "part 120 begins",
        "a new tool or edge stands in position 5",
        "tool 5 measured on the setter: length 132.4412 radius 4.9987",
        "artefact RING1 reads 40.0012 mm x 0.0004 y -0.0003 at 21 degC",
        "probe 1 was calibrated: RXP 2.9981 RXM empty",
        "repeat on RING1, point 1: 40.0011 mm",
        (
            "not understood, column 1: found 'HELLO'; wanted a line that begins with"
            " ARTEFACT, CALIBRATION, END, FEATURE, MISS, NEWTOOL, OFFSET, PART, REPEAT, SETTER"
        ),
    ]


def test_nothing_is_left_without_words() -> None:
    """Records of an inch machine are described in mm as well."""
    assert all(describe(record) for record in read(LOG, INCH))
