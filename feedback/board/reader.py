"""Whether the reader of the logs is at work: an answer is only as new as its last look. Pure."""

from dataclasses import dataclass
from typing import Literal

from feedback.heartbeat import Beat

LATE_AFTER = 2  # missed looks; the next one may just take its time over much new text
GRACE_S = 3.0


@dataclass(frozen=True, slots=True)
class Reader:
    """What is known of the reader: at work, late with its look, or away; `since_us` its last look, if one is known."""

    state: Literal["at-work", "late", "away"]
    since_us: int | None = None
    troubles: tuple[str, ...] = ()
    unread_machines: tuple[str, ...] = ()

    @property
    def is_at_work(self) -> bool:
        return self.state == "at-work"


def reader_of(beat: Beat | None, now_us: int, before: Reader | None = None) -> Reader:
    """The reader from its last sign of life; `before` is what was known until now, for the time of the last look."""
    if beat is None:
        return Reader("away", before.since_us if before is not None else None)
    allowed_us = 1_000_000 * (LATE_AFTER * beat.every_s + GRACE_S)
    state: Literal["at-work", "late"] = "at-work" if now_us - beat.at_us <= allowed_us else "late"
    return Reader(state, beat.at_us, beat.troubles, beat.away)
