"""Times as people at the machine say them. Pure."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from feedback.ledger.chain import moment

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def told(at_us: int, zone: ZoneInfo, now: datetime) -> str:
    """ "08:14" today, "3 Mar, 08:14" this year, "3 Mar 2025, 08:14" else."""
    at, today = moment(at_us).astimezone(zone), now.astimezone(zone)
    if at.date() == today.date():
        return f"{at:%H:%M}"
    year = "" if at.year == today.year else f" {at.year}"
    return f"{at.day} {MONTHS[at.month - 1]}{year}, {at:%H:%M}"


def stamp(at_us: int, zone: ZoneInfo) -> str:
    """ "2025-03-03 08:14:05"."""
    return f"{moment(at_us).astimezone(zone):%Y-%m-%d %H:%M:%S}"


def clock(now: datetime, zone: ZoneInfo) -> str:
    """ "08:14:05"."""
    return f"{now.astimezone(zone):%H:%M:%S}"


def span(of: timedelta) -> str:
    """ "40 s", "12 min", "3 h"."""
    seconds = of.total_seconds()
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"
