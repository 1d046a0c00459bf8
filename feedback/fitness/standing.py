"""From everything seen of one machine's probes to what may be believed: states, and doubts that reach backwards. Pure.

A place is (time in microseconds UTC, id of the newest part that began before it); a part's own (time, id) lies after it
where it is greater. Failing:
- a check beyond its limit fails until a check on the same artefact passes;
- a calibration with a bad value fails until the next good one; one that is good in itself, but shows that the values
  before it were wrong, fails until a check passes.
A failure casts doubt on every reading since the last passing check (a calibration with a bad value: since itself),
until the probe has stopped failing. What a person has set aside is not handed in here.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from feedback.configuration.facts import Artefact

StateName = Literal["failed", "due", "unknown", "fit", "unchecked"]
MOST_PRESSING_FIRST: Final[tuple[StateName, ...]] = ("failed", "due", "unknown", "fit", "unchecked")

Place = tuple[int, int]
THE_BEGINNING: Final[Place] = (-(2**62), -1)
LAST_ID: Final = 2**62  # with a time: after every part of that time
US_PER_S: Final = 1_000_000
CALIBRATION: Final = "calibration"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One check or calibration that has been judged. `id` also names the doubt it casts."""

    id: int
    probe: int
    what: Literal["artefact", "calibration"]
    artefact: str | None
    place: Place
    result: Literal["passed", "failed", "void"]
    words: str
    reaches_back: bool = True  # a failure says that the readings before it were wrong too
    ends_with_check: bool = False  # a failed calibration whose own values are good: a passing check ends it

    @property
    def cause(self) -> str:
        """What must be seen to pass before the failure is over."""
        return CALIBRATION if self.what == "calibration" or self.artefact is None else self.artefact


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubted:
    """A span of parts whose readings are in doubt: after `since`, up to `until` (None: until now)."""

    id: int
    probe: int
    since: Place
    until: Place | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What holds for one probe at one place. `due_at_us` and `due_parts` say when the next check is due at the latest.

    `due_parts` are parts still to be cut from that place on.
    """

    probe: int
    name: StateName
    words: str
    since_us: int | None = None
    due_artefact: str | None = None
    due_at_us: int | None = None
    due_parts: int | None = None

    @property
    def forbids(self) -> bool:
        """No correction may be proposed."""
        return self.name in ("failed", "due")


@dataclass(slots=True)
class _After:
    """What holds after one of the things seen."""

    failing: dict[str, Seen] = field(default_factory=dict)
    passed: dict[str, Seen] = field(default_factory=dict)  # newest passing check of each artefact
    calibrated: Seen | None = None  # newest good calibration


class ProbeHistory:
    """One probe's checks and calibrations in their order, asked for any place."""

    def __init__(self, probe: int, seen: Iterable[Seen]) -> None:
        self.probe = probe
        self.doubts: list[Doubted] = []
        self._places: list[Place] = []
        self._after: list[_After] = [_After()]
        for one in sorted(seen, key=lambda one: (one.place, one.id)):
            self._places.append(one.place)
            self._after.append(self._step(one))

    @property
    def is_empty(self) -> bool:
        return not self._places

    def at(self, place: Place) -> _After:
        """What holds for a part at `place`: everything seen before it."""
        return self._after[bisect_left(self._places, place)]

    def _step(self, one: Seen) -> _After:
        last = self._after[-1]
        now = _After(dict(last.failing), dict(last.passed), last.calibrated)
        if one.result == "failed":
            now.failing.setdefault(one.cause, one)
            if one.cause not in last.failing:
                self.doubts.append(self._doubt(one, last))
        elif one.result == "passed":
            now.failing.pop(one.cause, None)
            if one.what == "calibration":
                now.calibrated = one
            else:
                now.passed[one.cause] = one
                if CALIBRATION in now.failing and now.failing[CALIBRATION].ends_with_check:
                    del now.failing[CALIBRATION]
            if last.failing and not now.failing:
                self._end_doubts(one.place)
        return now

    def _doubt(self, one: Seen, last: _After) -> Doubted:
        return Doubted(id=one.id, probe=one.probe, since=self._last_good(one, last), until=None, words=one.words)

    def _last_good(self, one: Seen, last: _After) -> Place:
        if not one.reaches_back:
            return one.place
        if one.cause in last.passed:
            return last.passed[one.cause].place
        if one.what == "calibration":
            places = [good.place for good in last.passed.values()]
            places += [last.calibrated.place] if last.calibrated is not None else []
            return max(places, default=THE_BEGINNING)
        return THE_BEGINNING

    def _end_doubts(self, place: Place) -> None:
        self.doubts = [
            Doubted(id=doubt.id, probe=doubt.probe, since=doubt.since, until=place, words=doubt.words)
            if doubt.until is None
            else doubt
            for doubt in self.doubts
        ]


class Clock:
    """Parts of one machine by their places, as many as the longest `due` asks for."""

    def __init__(self, first: Place | None, places: Iterable[Place] = (), most: int = 0) -> None:
        self.first = first
        self._most = most
        self._places = sorted(places)

    @property
    def newest(self) -> Place | None:
        return self._places[-1] if self._places else self.first

    def count(self, places: Iterable[Place]) -> None:
        """More parts have been measured."""
        new = sorted(places)
        if not new:
            return
        self.first = new[0] if self.first is None else min(self.first, new[0])
        self._places = sorted([*self._places, *new])

    def forget(self) -> None:
        """Let go of parts that no `due` reaches back to."""
        del self._places[: max(len(self._places) - self._most - 1, 0)]

    def between(self, after: Place, up_to: Place) -> int:
        """How many parts lie after one place, up to another."""
        return bisect_right(self._places, up_to) - bisect_right(self._places, after)


def state(history: ProbeHistory, artefacts: Mapping[str, Artefact], clock: Clock, place: Place) -> State:
    """The state of one probe at `place`; `artefacts` are those of its machine."""
    after = history.at(place)
    if after.failing:
        worst = min(after.failing.values(), key=lambda one: one.place)
        words = "; ".join(one.words for one in after.failing.values())
        return State(probe=history.probe, name="failed", words=words, since_us=worst.place[0])
    if not artefacts:
        words = "no artefact is stated in cell.toml for this machine: whether the probe reads true has not been checked"
        return State(probe=history.probe, name="unchecked", words=words)
    passed = after.passed
    found = [_against(one, passed.get(one.name), history, clock, place) for one in artefacts.values()]
    worst_first = sorted(found, key=lambda one: (MOST_PRESSING_FIRST.index(one.name), _soonest(one)))
    return worst_first[0]


def _soonest(one: State) -> tuple[float, float]:
    return (
        float("inf") if one.due_at_us is None else one.due_at_us,
        float("inf") if one.due_parts is None else one.due_parts,
    )


def _against(artefact: Artefact, passed: Seen | None, history: ProbeHistory, clock: Clock, place: Place) -> State:
    """The state as far as one artefact tells: its check has passed, is due, or has not been seen."""
    began = passed.place if passed is not None else clock.first
    due_at_us = None if began is None or artefact.due_s is None else began[0] + int(artefact.due_s * US_PER_S)
    counted_from = passed.place if passed is not None else THE_BEGINNING
    gone = clock.between(counted_from, place)
    due_parts = None if artefact.due_parts is None else artefact.due_parts - gone
    name: StateName = "unknown" if passed is None else "fit"
    said = f"no check on {artefact.name} has been seen yet" if passed is None else passed.words
    since_us = None if passed is None else passed.place[0]
    if due_at_us is not None and place[0] > due_at_us:
        name, since_us = "due", due_at_us
        said = f"the check on {artefact.name} is overdue: {_hours(artefact)} have passed since {_since(passed)}"
    elif due_parts is not None and due_parts < 0:
        name, since_us = "due", None
        said = f"the check on {artefact.name} is overdue: more than {artefact.due_parts} parts since {_since(passed)}"
    return State(
        probe=history.probe,
        name=name,
        words=said,
        since_us=since_us,
        due_artefact=artefact.name,
        due_at_us=due_at_us,
        due_parts=due_parts,
    )


def _since(passed: Seen | None) -> str:
    return "the first part" if passed is None else "the last check that passed"


def _hours(artefact: Artefact) -> str:
    assert artefact.due_s is not None
    return f"{float(artefact.due_s) / 3600:g} h"


def worst_of(states: Sequence[State]) -> State:
    """The state a machine is in: readings do not say which of its probes made them."""
    return min(states, key=lambda one: MOST_PRESSING_FIRST.index(one.name))
