"""The stretch of time that is replayed. Pure."""

from dataclasses import dataclass
from datetime import datetime, tzinfo

from feedback.errors import UsageError

MICROSECONDS = 1_000_000


@dataclass(frozen=True, slots=True)
class Span:
    """From `since_us` to `until_us`, both included; None: open on that side."""

    since_us: int | None = None
    until_us: int | None = None

    def holds(self, at_us: int) -> bool:
        return (self.since_us is None or at_us >= self.since_us) and (self.until_us is None or at_us <= self.until_us)


EVERYTHING = Span()


def span(since: str | datetime | None, until: str | datetime | None, zone: tzinfo) -> Span:
    """The span between two moments, in the cell's time zone where they name none; a day alone is meant from its start.

    UsageError for what is no moment, and for a span that ends before it begins.
    """
    found = Span(_moment_us("since", since, zone), _moment_us("until", until, zone))
    if found.since_us is not None and found.until_us is not None and found.until_us < found.since_us:
        raise UsageError(f"--since {since} is later than --until {until}; wanted the earlier moment first")
    return found


def _moment_us(name: str, text: str | datetime | None, zone: tzinfo) -> int | None:
    if text is None:
        return None
    try:
        at = text if isinstance(text, datetime) else datetime.fromisoformat(text.strip())
    except ValueError:
        raise UsageError(
            f'--{name}: found {text!r}; wanted a day or a moment such as "2026-11-25" or "2026-11-25T14:30"'
        ) from None
    return round((at if at.tzinfo is not None else at.replace(tzinfo=zone)).timestamp() * MICROSECONDS)
