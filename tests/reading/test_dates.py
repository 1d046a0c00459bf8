"""Dates and times of controls, whose clocks know no time zone."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from feedback.reading.dates import moments
from feedback.reading.misread import MisreadError

LISBON = ZoneInfo("Europe/Lisbon")
PLAIN = moments("yyyymmdd", "hhmmss", LISBON)


@pytest.mark.parametrize(
    ("date", "time", "utc"),
    [
        ("20261125", "064512", datetime(2026, 11, 25, 6, 45, 12, tzinfo=UTC)),
        ("20260725", "064512", datetime(2026, 7, 25, 5, 45, 12, tzinfo=UTC)),
        ("20240229", "235959", datetime(2024, 2, 29, 23, 59, 59, tzinfo=UTC)),
    ],
)
def test_times_are_those_of_the_controls_zone(date: str, time: str, utc: datetime) -> None:
    """Lisbon is at UTC in winter and an hour ahead in summer."""
    assert PLAIN(date, time) == utc


def test_the_hour_that_happens_twice_means_its_first_pass() -> None:
    """On 25 October 2026 Lisbon's 01:30 happens at 00:30 and at 01:30 UTC; the log does not tell which."""
    assert PLAIN("20261025", "013000") == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


def test_a_time_in_the_skipped_hour_comes_from_a_clock_not_yet_put_forward() -> None:
    """On 29 March 2026 Lisbon has no 01:30; a clock still on winter time shows it at 01:30 UTC."""
    assert PLAIN("20260329", "013000") == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)


def test_moments_can_be_compared_across_the_change_of_clocks() -> None:
    """Half past one in summer time comes before one o'clock in winter time, although the clock face says otherwise."""
    assert PLAIN("20261025", "013000") < PLAIN("20261025", "020000")
    assert PLAIN("20261025", "013000").tzinfo is UTC


@pytest.mark.parametrize(
    ("form", "date"), [("dd.mm.yyyy", "25.11.2026"), ("yyyy-mm-dd", "2026-11-25"), ("mm/dd/yyyy", "11/25/2026")]
)
def test_a_layout_may_write_dates_its_own_way(form: str, date: str) -> None:
    """The same day in the ways controls and people write it."""
    assert moments(form, "hh:mm:ss", LISBON)(date, "06:45:12") == datetime(2026, 11, 25, 6, 45, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("time", "hour", "minute", "second"), [("64512", 6, 45, 12), ("0", 0, 0, 0), ("123456", 12, 34, 56)]
)
def test_a_layout_may_drop_leading_zeros_of_the_time(time: str, hour: int, minute: int, second: int) -> None:
    """A control that prints the time as a number drops the zeros in front."""
    short = moments("yyyymmdd", "hmmss", LISBON)
    assert short("20261125", time) == datetime(2026, 11, 25, hour, minute, second, tzinfo=UTC)


@pytest.mark.parametrize(
    ("date", "time"),
    [
        ("20260229", "000000"),
        ("20261301", "000000"),
        ("00000101", "000000"),
        ("99991231", "250000"),
        ("20261125", "240000"),
        ("20261125", "236000"),
        ("20261125", "235960"),
        ("20261125", "6:45"),
        ("2026112", "064512"),
        ("2026112\u0665", "064512"),
    ],
)
def test_impossible_days_and_times_are_refused(date: str, time: str) -> None:
    """No day is moved to the next month and no hour to the next day."""
    with pytest.raises(MisreadError):
        PLAIN(date, time)


def test_the_ends_of_the_calendar_are_refused_and_not_an_error() -> None:
    """A clock set to the year 1 or 9999 may have no UTC time at all."""
    east, west = ZoneInfo("Asia/Tokyo"), ZoneInfo("America/New_York")
    for zone, date, time in ((east, "00010101", "000000"), (west, "99991231", "235959")):
        with pytest.raises(MisreadError, match="lies outside the calendar"):
            moments("yyyymmdd", "hhmmss", zone)(date, time)
