"""The chain of hashes: what it shows, and what it cannot show."""

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.ledger import chain
from feedback.ledger.chain import Checkpoint, Event


def history(count: int) -> list[Event]:
    """`count` events, one after the other."""
    events: list[Event] = []
    after = chain.EMPTY
    for number in range(count):
        event = chain.link(after, 1_000_000 * number, "taken", "M1", {"lines": number}, f"FEATURE {number}\n".encode())
        events.append(event)
        after = Checkpoint(event.seq, event.hash)
    return events


def test_an_unchanged_history_is_intact() -> None:
    """Ten events written one after the other verify."""
    assert chain.verify(history(10)) is None


def test_the_hash_can_be_recomputed_by_anybody() -> None:
    """Quality can check an event with nothing but a SHA-256 program and this page: no code of ours."""
    event = history(2)[1]
    body = "sha256:" + hashlib.sha256(b"FEATURE 1\n").hexdigest()
    sealed = json.dumps([event.prev, 2, 1_000_000, "taken", "M1", '{"lines":1}', body], separators=(",", ":"))
    assert event.hash == hashlib.sha256(b"trueup event 1\n" + sealed.encode()).hexdigest()


@pytest.mark.parametrize(
    "change",
    [
        {"payload": '{"lines":8}'},
        {"body": b"FEATURE 8\n"},
        {"body": None},
        {"machine": "M2"},
        {"machine": None},
        {"kind": "closed"},
        {"at_us": 4},
    ],
)
def test_a_changed_event_shows(change: dict[str, object]) -> None:
    """Whoever changes a value, a text, a time or a machine of event 4 is found out at event 4."""
    events = history(6)
    events[3] = replace(events[3], **change)  # type: ignore[arg-type]
    broken = chain.verify(events)
    assert broken is not None
    assert broken.seq == 4
    assert "event 4" in broken.words
    assert "was changed after it was written" in broken.words


def test_a_changed_event_sealed_anew_shows_at_the_next() -> None:
    """Sealing the changed event again does not help: the next event names the old hash."""
    events = history(6)
    before = Checkpoint(3, events[2].hash)
    events[3] = chain.link(before, events[3].at_us, "taken", "M1", {"lines": 99}, events[3].body)
    broken = chain.verify(events)
    assert broken is not None
    assert broken.seq == 5
    assert "removed, exchanged or rewritten" in broken.words


def test_a_removed_event_shows() -> None:
    """An event taken out of the middle leaves a gap."""
    events = history(6)
    del events[2]
    broken = chain.verify(events)
    assert broken is not None
    assert broken.seq == 4
    assert broken.words.startswith("event 3 is missing: found event 4 after event 2")


def test_re_numbering_after_a_removal_shows() -> None:
    """Closing the gap by new numbers breaks the hashes instead."""
    events = history(6)
    del events[2]
    events[2:] = [replace(event, seq=event.seq - 1) for event in events[2:]]
    broken = chain.verify(events)
    assert broken is not None
    assert broken.seq == 3


def test_a_cut_off_end_does_not_show_without_a_checkpoint() -> None:
    """What is left of a history whose end was cut off is intact: that is why every report prints a checkpoint."""
    assert chain.verify(history(6)[:4]) is None


@given(st.integers(0, 11), st.integers(0, 11))
def test_any_two_events_exchanged_show(first: int, second: int) -> None:
    """No two events can change places."""
    events = history(12)
    events[first], events[second] = events[second], events[first]
    assert (chain.verify(events) is None) == (first == second)


def test_canonical_json_keeps_every_digit() -> None:
    """A certified size of 40.00062 mm stays 40.00062; a float keeps its shortest exact form; keys are in order."""
    at = datetime(2026, 11, 25, 7, 45, 12, tzinfo=timezone(timedelta(hours=1)))
    text = chain.canonical({"size": Decimal("40.00062"), "at": at, "a": 0.1, "µ": "ü"})
    assert text == '{"a":0.1,"at":"2026-11-25T06:45:12+00:00","size":"40.00062","µ":"ü"}'


def test_canonical_json_refuses_what_is_no_number() -> None:
    """Neither nan nor infinity enters the history."""
    with pytest.raises(ValueError, match="not JSON compliant"):
        chain.canonical({"error": float("nan")})


def test_undecodable_text_can_be_kept() -> None:
    """A note typed on a terminal with another encoding is kept with its odd bytes written out."""
    assert chain.canonical({"note": "caf\udce9"}) == '{"note":"caf\\udce9"}'


@given(st.datetimes(min_value=datetime(1970, 1, 1), max_value=datetime(2200, 1, 1)))  # noqa: DTZ001
def test_times_survive_to_the_microsecond(clock: datetime) -> None:
    """A time kept as a whole number of microseconds comes back as the same time."""
    at = clock.replace(tzinfo=UTC)
    assert chain.moment(chain.microseconds(at)) == at


def test_a_time_without_a_zone_is_refused() -> None:
    """06:45 of which country? Such a time never enters the history."""
    with pytest.raises(ValueError, match="without a time zone"):
        chain.microseconds(datetime(2026, 11, 25, 6, 45))  # noqa: DTZ001
