"""Events and the chain of hashes through them. Pure.

Every event carries the hash of the one before, so a changed, removed or re-numbered event shows. A chain alone does
not show that its end was cut off: for that a `Checkpoint` must be kept where the store cannot be rewritten, such as on
a printed report.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any, Final

DOMAIN: Final = b"trueup event 1\n"  # an event's hash can never be mistaken for the hash of anything else
START: Final = "0" * 64  # what the first event names as the hash before it

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Event:
    """One entry of the history. `payload` is canonical JSON, `at_us` microseconds UTC, `body` the raw text taken."""

    seq: int
    at_us: int
    kind: str
    machine: str | None
    payload: str
    body: bytes | None
    prev: str
    hash: str

    @property
    def content(self) -> dict[str, Any]:
        """The payload, read."""
        content: dict[str, Any] = json.loads(self.payload)
        return content


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """How far a history reaches: number of events and the last one's hash."""

    count: int
    hash: str

    def __str__(self) -> str:
        return f"{self.count} {self.hash}"


@dataclass(frozen=True, slots=True)
class Broken:
    """The first event that does not fit, and what is wrong with it."""

    seq: int
    words: str


EMPTY: Final = Checkpoint(0, START)


def microseconds(at: datetime) -> int:
    """`at` as microseconds UTC since 1970. ValueError when it carries no time zone."""
    if at.tzinfo is None:
        raise ValueError(f"found the time {at} without a time zone; wanted one with its zone")
    return (at - _EPOCH) // _MICROSECOND


def moment(at_us: int) -> datetime:
    """The UTC time of `at_us`."""
    return _EPOCH + at_us * _MICROSECOND


def canonical(value: Mapping[str, Any]) -> str:
    """`value` as canonical JSON: sorted keys, no blanks; decimals and times as strings, floats by their shortest repr.

    ValueError for nan and infinity. A lone surrogate (undecodable text) is written as its escape.
    """
    text = json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False, default=_as_string
    )
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _as_string(value: object) -> str:
    match value:
        case Decimal():
            return f"{value:f}"
        case datetime():
            return value.astimezone(UTC).isoformat()
    raise TypeError(f"found {type(value).__name__} in an event; wanted plain values, decimals or times")


def digest(data: bytes) -> str:
    """The digest of `data` as it is written everywhere: "sha256:..."."""
    return f"sha256:{hashlib.sha256(data).hexdigest()}"


def event_hash(
    prev: str, seq: int, at_us: int, kind: str, machine: str | None, payload: str, body: bytes | None
) -> str:
    """The hash that seals one event together with the one before it."""
    sealed = [prev, seq, at_us, kind, machine, payload, None if body is None else digest(body)]
    text = json.dumps(sealed, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(DOMAIN + text.encode()).hexdigest()


def link(
    after: Checkpoint, at_us: int, kind: str, machine: str | None, content: Mapping[str, Any], body: bytes | None = None
) -> Event:
    """The event that follows `after`."""
    payload = canonical(content)
    seq = after.count + 1
    sealed = event_hash(after.hash, seq, at_us, kind, machine, payload, body)
    return Event(seq, at_us, kind, machine, payload, body, after.hash, sealed)


def walk(events: Iterable[Event], after: Checkpoint = EMPTY) -> Iterator[tuple[Event, Broken | None]]:
    """Every event with what is wrong with it, if anything; ends at the first broken one."""
    for event in events:
        broken = _fault(event, after)
        yield event, broken
        if broken is not None:
            return
        after = Checkpoint(event.seq, event.hash)


def verify(events: Iterable[Event], after: Checkpoint = EMPTY) -> Broken | None:
    """The first event that does not fit, or None. That the end was cut off cannot be seen here."""
    return next((broken for _, broken in walk(events, after) if broken is not None), None)


def _fault(event: Event, after: Checkpoint) -> Broken | None:
    if event.seq != after.count + 1:
        return Broken(
            event.seq,
            f"event {after.count + 1} is missing: found event {event.seq} after event {after.count}; "
            "events were removed or re-numbered",
        )
    if event.prev != after.hash:
        return Broken(
            event.seq,
            f"event {event.seq} names {event.prev[:12]}... as the hash before it, but event {after.count} has "
            f"{after.hash[:12]}...; events were removed, exchanged or rewritten",
        )
    found = event_hash(event.prev, event.seq, event.at_us, event.kind, event.machine, event.payload, event.body)
    if found != event.hash:
        return Broken(
            event.seq,
            f"event {event.seq} ({event.kind}) was changed after it was written: its content has the hash "
            f"{found[:12]}..., it was sealed with {event.hash[:12]}...",
        )
    return None
