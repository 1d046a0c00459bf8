"""Reasons not to believe a reading, and what a doubted reading does to those after it."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from feedback.records import PartBegin, Reading
from feedback.resolve import Measurement
from feedback.trust import CLOCK_SLACK, TRUST_CHECKS, Before, Doubt, delivery, doubts, marked
from tests.test_resolve import BORE, TILT

AT = datetime(2026, 11, 25, 6, 45, 12, tzinfo=UTC)
BEFORE = Before(now=AT + timedelta(minutes=1))


def measured(
    at: datetime | None = AT,
    actual: str = "24.9987",
    nominal: str | None = None,
    tool: int | None = None,
    part: str = "118",
) -> Measurement:
    reading = Reading(
        line=2,
        part=part,
        plan="4101",
        at=at,
        feature="12",
        actual=Decimal(actual),
        nominal=None if nominal is None else Decimal(nominal),
        tool=tool,
    )
    return Measurement(
        line=2,
        part=part,
        plan="4101",
        at=at,
        feature=BORE,
        actual=reading.actual,
        deviation=reading.actual - BORE.nominal,
        temperature_c=None,
        reading=reading,
    )


def only(measurement: Measurement, before: Before = BEFORE) -> Doubt:
    (doubt,) = doubts(measurement, before)
    return doubt


@pytest.mark.parametrize(
    "measurement",
    [measured(), measured(nominal="25", tool=5), measured(nominal="25.0012"), measured(at=None)],
    ids=["nothing stated", "as planned", "rounded to 0.0001 inch", "without a time"],
)
def test_a_reading_that_agrees_with_its_plan_is_believed(measurement: Measurement) -> None:
    """Nothing stated, or stated as planned: no doubt."""
    assert doubts(measurement, BEFORE) == ()


@pytest.mark.parametrize(
    ("nominal", "words"),
    [
        (
            "24",
            (
                "the log states nominal 24 mm for feature 12, plan 4101 says 25 mm:"
                " another program ran, or the plan is not the part's"
            ),
        ),
        (
            "0.9843",
            (
                "the log states nominal 0.9843 mm for feature 12, plan 4101 says 25 mm:"
                " they differ by the factor 25.4, so mm and inch are mixed up; check the machine's unit"
            ),
        ),
        (
            "635",
            (
                "the log states nominal 635 mm for feature 12, plan 4101 says 25 mm:"
                " they differ by the factor 25.4, so mm and inch are mixed up; check the machine's unit"
            ),
        ),
    ],
)
def test_another_nominal_means_another_program_or_unit(nominal: str, words: str) -> None:
    """A reading against another nominal says nothing about this feature; a factor of 25.4 is called by its name."""
    assert only(measured(nominal=nominal)) == Doubt("nominal", words)


def test_a_nominal_of_zero_is_compared_too() -> None:
    """A planned position of zero against any other is doubted, without a factor to find."""
    at_zero = replace(measured(nominal="1"), feature=replace(BORE, nominal=Decimal(0)))
    assert only(at_zero).check == "nominal"


def test_the_nominal_of_an_angle_is_no_length() -> None:
    """An inch machine's nominal angle is compared in degrees."""
    angle = replace(measured(), feature=replace(TILT, nominal=Decimal(1)))
    reading = replace(angle.reading, nominal=Decimal("25.4"), inch=True)
    assert doubts(replace(angle, reading=reading), BEFORE) == ()


def test_another_tool_means_another_program() -> None:
    """A feature the plan gives to tool 5 but the log to tool 6 cannot correct either."""
    assert only(measured(tool=6)) == Doubt(
        "tool", "the log states tool 6, plan 4101 says tool 5 for feature 12: check which of them cuts it"
    )


def test_a_time_in_the_future_is_doubted() -> None:
    """A control whose clock runs ahead by more than people set clocks apart is named."""
    now = AT - CLOCK_SLACK
    assert doubts(measured(), Before(now=now)) == ()
    assert only(measured(at=AT + timedelta(seconds=1)), Before(now=now)) == Doubt(
        "future",
        "the log's time 2026-11-25 06:45:13 UTC is later than now, 2026-11-25 06:35:12 UTC: check the control's clock",
    )


def test_a_clock_that_went_back_is_doubted() -> None:
    """Order in time is what a trend rests on; the hour that the clock repeats in autumn is allowed for."""
    assert doubts(measured(), replace(BEFORE, latest=AT)) == ()
    assert doubts(measured(), replace(BEFORE, latest=AT + timedelta(hours=1))) == ()
    assert only(measured(), replace(BEFORE, latest=AT + timedelta(hours=2))) == Doubt(
        "clock-went-back",
        "the log's time 2026-11-25 06:45:12 UTC is earlier than what stands before it, 2026-11-25 08:45:12 UTC:"
        " the control's clock was put back",
    )


def test_a_reading_delivered_before_is_doubted() -> None:
    """The same part, feature, time and value in another file is the same reading."""
    before = replace(BEFORE, delivered={delivery(measured())})
    assert only(measured(), before) == Doubt(
        "delivered-before", "part 118 feature 12 with this time and value was delivered before"
    )
    for other in (measured(part="119"), measured(actual="24.9988"), measured(at=AT + timedelta(seconds=1))):
        assert doubts(other, before) == ()


def test_every_doubt_is_told_in_the_order_of_the_checks() -> None:
    """A reading with many faults shows them all."""
    bad = measured(at=AT + timedelta(hours=1), nominal="24", tool=6)
    before = replace(BEFORE, latest=AT + timedelta(hours=3), delivered={delivery(bad)})
    found = [doubt.check for doubt in doubts(bad, before)]
    assert found == ["nominal", "tool", "future", "clock-went-back", "delivered-before"]
    assert len(found) == len(TRUST_CHECKS)


def test_doubted_readings_stay_and_are_marked() -> None:
    """Nothing is dropped: every record comes out in its place, only the doubts are added."""
    begin = PartBegin(line=1, part="118", plan="4101", at=AT)
    good, bad = measured(), measured(actual="24.9990", nominal="24")
    out = marked([begin, good, bad], BEFORE)
    assert out.records[:2] == [begin, good]
    assert out.records[2] == replace(bad, doubts=doubts(bad, BEFORE))
    assert (out.latest, out.delivered) == (AT, {delivery(good), delivery(bad)})


def test_the_same_reading_twice_in_one_text_is_doubted_the_second_time() -> None:
    """A log that holds its lines twice counts them once."""
    out = marked([measured(), measured()], BEFORE).records
    assert [len(record.doubts) for record in out if isinstance(record, Measurement)] == [0, 1]


def test_the_clock_is_followed_from_reading_to_reading() -> None:
    """Each reading is compared with the latest before it, not with the first."""
    hours = [0, 4, 2, 6]
    readings = [measured(at=AT + timedelta(hours=hour)) for hour in hours]
    out = marked(readings, Before(now=AT + timedelta(hours=8)))
    assert [bool(record.doubts) for record in out.records if isinstance(record, Measurement)] == [
        False,
        False,
        True,
        False,
    ]
    assert out.latest == AT + timedelta(hours=6)


def test_one_time_in_the_future_does_not_spoil_all_that_follows() -> None:
    """After a clock that ran ahead is set right, the next readings are believed again."""
    readings = [measured(at=AT + timedelta(days=365)), measured(at=AT + timedelta(seconds=1))]
    out = marked(readings, replace(BEFORE, latest=AT))
    assert [bool(record.doubts) for record in out.records if isinstance(record, Measurement)] == [True, False]
    assert out.latest == AT + timedelta(seconds=1)
