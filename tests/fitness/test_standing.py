"""What may be believed of a probe, and since when: told as a shop would tell it, place by place."""

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.configuration.facts import Artefact
from feedback.fitness.standing import (
    THE_BEGINNING,
    Clock,
    Doubted,
    Place,
    ProbeHistory,
    Seen,
    State,
    state,
    worst_of,
)
from tests.fitness.test_calibration import RING

HOUR = 3_600_000_000


def at(hour: float, part: int = 0) -> Place:
    return round(hour * HOUR), part


def seen(id: int, place: Place, result: str = "passed", artefact: str | None = "RING1", **facts: Any) -> Seen:
    what = "artefact" if artefact else "calibration"
    return Seen(id=id, probe=1, what=what, artefact=artefact, place=place, result=result, words=f"number {id}", **facts)  # type: ignore[arg-type]


def calibrated(id: int, place: Place, result: str = "passed", **facts: Any) -> Seen:
    return seen(id, place, result, None, **facts)


def history(*found: Seen) -> ProbeHistory:
    return ProbeHistory(1, found)


def spans(*found: Seen) -> list[tuple[int, Place, Place | None]]:
    return [(doubt.id, doubt.since, doubt.until) for doubt in history(*found).doubts]


def stands(*found: Seen, place: Place, parts: int = 0, **changed: Any) -> State:
    """With a part every six minutes from midnight on."""
    artefact = replace(RING, **changed)
    clock = Clock(at(0, 1), [at(k / 10, k + 1) for k in range(parts)], most=1000)
    return state(history(*found), {"RING1": artefact}, clock, place)


def test_a_failing_check_doubts_everything_since_the_last_passing_one() -> None:
    """Not since the last check: since the last that passed."""
    morning, noon, void = seen(1, at(6)), seen(3, at(12), "failed"), seen(2, at(9), "void")
    assert spans(morning, void, noon) == [(3, at(6), None)]


def test_without_a_passing_check_everything_is_in_doubt() -> None:
    """The first check of all fails: nobody knows since when."""
    assert spans(seen(1, at(12), "failed")) == [(1, THE_BEGINNING, None)]


def test_a_doubt_ends_where_a_check_passes() -> None:
    """What was cut between the failing and the passing check was cut with a failing probe."""
    assert spans(seen(1, at(6)), seen(2, at(12), "failed"), seen(3, at(13))) == [(2, at(6), at(13))]


def test_a_second_failing_check_casts_no_second_doubt() -> None:
    """The first one covers everything until a check passes; after that the next failure reaches back to there."""
    found = (seen(1, at(6)), seen(2, at(12), "failed"), seen(3, at(12.5), "failed"), seen(4, at(13)))
    assert spans(*found) == [(2, at(6), at(13))]
    assert spans(*found, seen(5, at(16), "failed")) == [(2, at(6), at(13)), (5, at(13), None)]


def test_another_artefact_does_not_answer_for_the_first() -> None:
    """A ring proves the ball; a gauge proves a length."""
    failing = (seen(1, at(6)), seen(2, at(12), "failed"), seen(3, at(13), artefact="GAUGE1"))
    assert spans(*failing) == [(2, at(6), None)]


def test_a_calibration_does_not_answer_for_a_failing_check() -> None:
    """Calibrated anew, the probe still has to show that it reads the ring right."""
    found = (seen(1, at(6)), seen(2, at(12), "failed"), calibrated(3, at(12.5)))
    assert stands(*found, place=at(13)).name == "failed"
    assert stands(*found, seen(4, at(12.7)), place=at(13)).name == "fit"


def test_a_bad_calibration_doubts_what_comes_after_it() -> None:
    """A value that is missing now was not missing before."""
    found = (seen(1, at(6)), calibrated(2, at(8), "failed", reaches_back=False))
    assert spans(*found) == [(2, at(8), None)]
    assert spans(*found, calibrated(3, at(9))) == [(2, at(8), at(9))]
    assert stands(*found, seen(3, at(9)), place=at(10)).name == "failed"


def test_a_calibration_that_found_a_change_doubts_what_came_before_it() -> None:
    """Its own values are good: a passing check ends it."""
    found = (seen(1, at(6)), calibrated(2, at(8), "failed", ends_with_check=True))
    assert spans(*found) == [(2, at(6), None)]
    assert spans(*found, seen(3, at(8.5))) == [(2, at(6), at(8.5))]
    assert spans(calibrated(1, at(5)), found[1]) == [(2, at(5), None)]


def test_a_part_stands_before_a_check_made_after_it_at_the_same_time() -> None:
    """A line without a time of its own has that of the part before it; the part is not judged by it."""
    check = seen(1, at(6, 4), "failed")
    assert history(check).at(at(6, 4)).failing == {}
    assert list(history(check).at(at(6, 5)).failing) == ["RING1"]


@pytest.mark.parametrize(("hour", "name"), [(13.9, "fit"), (14.0, "fit"), (14.1, "due")])
def test_due_by_time(hour: float, name: str) -> None:
    """Eight hours after the last check that passed, to the second."""
    found = stands(seen(1, at(6)), place=at(hour), due_s=Decimal(8 * 3600))
    assert (found.name, found.due_at_us) == (name, 14 * HOUR)


@pytest.mark.parametrize(("parts", "name", "left"), [(70, "fit", 1), (71, "fit", 0), (72, "due", -1)])
def test_due_by_parts(parts: int, name: str, left: int) -> None:
    """Parts are counted from the check on; the tenth is still covered by it."""
    found = stands(seen(1, at(6, 61)), place=at(24, 999), parts=parts, due_parts=10)
    assert (found.name, found.due_parts) == (name, left)


def test_a_failing_check_does_not_put_off_the_next_one() -> None:
    """Due counts from the last check that passed; failing is said first."""
    found = (seen(1, at(6)), seen(2, at(13), "failed"))
    assert stands(*found, place=at(20), due_s=Decimal(8 * 3600)).name == "failed"


def test_the_artefact_that_is_due_first_speaks() -> None:
    """Two artefacts with different intervals: the sooner one is shown."""
    gauge = replace(RING, name="GAUGE1", due_s=Decimal(2 * 3600))
    ring = replace(RING, due_s=Decimal(8 * 3600))
    both: dict[str, Artefact] = {"RING1": ring, "GAUGE1": gauge}
    found = history(seen(1, at(6)), seen(2, at(6), artefact="GAUGE1"))
    now = state(found, both, Clock(at(0)), at(7))
    assert (now.name, now.due_artefact, now.due_at_us) == ("fit", "GAUGE1", 8 * HOUR)
    assert state(found, both, Clock(at(0)), at(9)).name == "due"


def test_the_worst_probe_speaks_for_the_machine() -> None:
    """Readings do not say which probe made them."""
    states = [State(probe=n, name=name, words="") for n, name in enumerate(("fit", "due", "unknown", "failed"))]  # type: ignore[arg-type]
    assert worst_of(states).name == "failed"
    assert worst_of(states[:3]).name == "due"


RESULTS = st.sampled_from(["passed", "failed", "void"])
RECORDS = st.lists(st.tuples(st.integers(0, 20), RESULTS, st.sampled_from(["RING1", "GAUGE1", None])), max_size=12)


def records(drawn: list[tuple[int, str, str | None]]) -> list[Seen]:
    return [
        seen(k, at(hour), result, artefact, reaches_back=artefact is not None or k % 2 == 0)
        for k, (hour, result, artefact) in enumerate(drawn)
        if artefact is not None or result != "void"
    ]


def covers(doubt: Doubted, place: Place) -> bool:
    return doubt.since < place and (doubt.until is None or place <= doubt.until)


@given(RECORDS, st.integers(0, 24))
def test_whatever_happens_a_part_cut_with_a_failing_probe_is_in_doubt(
    drawn: list[tuple[int, str, str | None]], hour: int
) -> None:
    """No order of checks and calibrations leaves such a part believed, and no span ends before it begins."""
    found = history(*records(drawn))
    place = at(hour, 7)
    if found.at(place).failing:
        assert any(covers(doubt, place) for doubt in found.doubts)
    for doubt in found.doubts:
        assert doubt.until is None or doubt.since <= doubt.until


@given(RECORDS)
def test_the_order_of_arrival_does_not_matter(drawn: list[tuple[int, str, str | None]]) -> None:
    """A log that comes late brings its checks to their place."""
    found = records(drawn)
    assert history(*found).doubts == history(*reversed(found)).doubts
