"""Dates and times as controls print them, in the time zone of the control's clock.

A control's clock knows no zone and is put forward and back by hand. So, where the clocks change:
- the hour that happens twice means its first pass (summer time): the log does not tell the passes apart;
- a time in the hour that is skipped comes from a clock that has not been put forward yet, and is taken as that.
"""

import re
from collections.abc import Callable
from datetime import UTC, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

from feedback.reading.misread import MisreadError

_PIECES = {"yyyy": r"(?P<y>\d{4})", "mm": r"(?P<m>\d{2})", "dd": r"(?P<d>\d{2})"}
_TIME_PIECES = {"hh": r"(?P<h>\d{2})", "mm": r"(?P<m>\d{2})", "ss": r"(?P<s>\d{2})"}
SHORT_TIME = "hmmss"  # a control that prints 06:45:12 as the number 64512

Moments = Callable[[str, str], datetime]


def date_pattern(form: str) -> re.Pattern[str]:
    """The pattern of a date form such as "yyyymmdd" or "dd.mm.yyyy"; ValueError says what was wanted."""
    return _pattern(form, _PIECES, 'a date form made of yyyy, mm and dd, such as "yyyymmdd" or "dd.mm.yyyy"')


def time_pattern(form: str) -> re.Pattern[str]:
    """The pattern of a time form such as "hhmmss", "hh:mm:ss" or "hmmss"; ValueError says what was wanted."""
    spelled = "hhmmss" if form == SHORT_TIME else form
    return _pattern(spelled, _TIME_PIECES, 'a time form made of hh, mm and ss, such as "hhmmss", "hh:mm:ss" or "hmmss"')


def moments(date_form: str, time_form: str, zone: ZoneInfo) -> Moments:
    """A function from the texts of date and time to the moment in UTC; it raises MisreadError for impossible ones.

    UTC, because moments of one zone are compared by Python as clock faces, which go back once a year.
    """
    date, time = date_pattern(date_form), time_pattern(time_form)

    @lru_cache(maxsize=4096)  # every reading of a part often carries the part's own time
    def moment(date_text: str, time_text: str) -> datetime:
        day = date.fullmatch(date_text)
        if day is None:
            raise MisreadError(f"DATE: found {date_text!r}; wanted {date_form}", word="DATE")
        clock = time.fullmatch(time_text.zfill(6) if time_form == SHORT_TIME else time_text)
        if clock is None:
            raise MisreadError(f"TIME: found {time_text!r}; wanted {time_form}", word="TIME")
        try:
            midnight = datetime(int(day["y"]), int(day["m"]), int(day["d"]), tzinfo=zone)
        except ValueError:
            raise MisreadError(
                f"DATE: {date_text!r} is not a day of the calendar; wanted {date_form}", word="DATE"
            ) from None
        try:
            return midnight.replace(hour=int(clock["h"]), minute=int(clock["m"]), second=int(clock["s"])).astimezone(
                UTC
            )
        except ValueError:
            raise MisreadError(f"TIME: {time_text!r} is not a time of day; wanted {time_form}", word="TIME") from None
        except OverflowError:
            raise MisreadError(
                f"DATE: {date_text!r} lies outside the calendar; wanted {date_form}", word="DATE"
            ) from None

    return moment


def _pattern(form: str, pieces: dict[str, str], wanted: str) -> re.Pattern[str]:
    piece = re.compile("|".join(pieces))
    if sorted(piece.findall(form)) != sorted(pieces) or re.search(r"\w", piece.sub("", form)):
        raise ValueError(f"found {form!r}; wanted {wanted}")
    return re.compile(piece.sub(lambda found: pieces[found[0]], re.escape(form)), re.ASCII)
