"""The state the probe was in at each part, as far as it was known then: failed, overdue, fit. Pure.

The states are those of `feedback.fitness.standing`. Checks that came late and failures that a person has set aside
since make the knowledge of one text another than that of the next; between such texts all parts are asked at once.
"""

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Final, NamedTuple

from feedback.configuration.facts import Artefact
from feedback.fitness.standing import (
    MOST_PRESSING_FIRST,
    Clock,
    Place,
    ProbeHistory,
    Seen,
    State,
    state,
    worst_of,
)

ALWAYS: Final = 2**62


class Placed(NamedTuple):
    """A part with readings: where it stands, and the text that completed it."""

    place: Place
    text: int


class Judged(NamedTuple):
    """A check or calibration, the text that told of it, and how many texts had been taken when it was set aside."""

    seen: Seen
    text: int
    aside: int | None = None

    def is_known(self, text: int) -> bool:
        return self.text <= text and (self.aside is None or text < self.aside)


@dataclass(frozen=True, kw_only=True)
class Probes:
    """One machine's probes: everything judged of them, what checks are stated, and the number of the usual one."""

    judged: Sequence[Judged]
    artefacts: Mapping[str, Artefact]
    usual: int

    @cached_property
    def never_due(self) -> Mapping[str, Artefact]:
        """For a probe that may have been taken off."""
        return {name: replace(one, due_s=None, due_parts=None) for name, one in self.artefacts.items()}


def probe_states(parts: Sequence[Placed], probes: Probes) -> dict[int, int]:
    """By part id the place of the worst state in `MOST_PRESSING_FIRST`."""
    if not probes.judged and not probes.artefacts:
        return {part.place[1]: MOST_PRESSING_FIRST.index("unchecked") for part in parts}
    return dict(_states(parts, probes))


def _states(parts: Sequence[Placed], probes: Probes) -> Iterator[tuple[int, int]]:
    late = _late(parts)
    edges = sorted({-1, ALWAYS, *(part.text for part in late), *_turns(parts, probes)})
    for low, high in pairwise(edges):
        asked = [part for part in parts if low <= part.text < high]
        clock = _clock(part.place for part in parts if part not in late or part.text <= low)
        histories = _histories(probes, low, high)
        for part in asked:
            states = [_state(one, probes, clock, part.place) for one, since in histories if since <= part.text]
            yield part.place[1], MOST_PRESSING_FIRST.index(worst_of(states).name)


def _state(history: ProbeHistory, probes: Probes, clock: Clock, place: Place) -> State:
    """As `feedback.fitness.examiner`: checks fall due for the usual probe alone."""
    if history.probe == probes.usual:
        return state(history, probes.artefacts, clock, place)
    if history.is_empty:
        return State(probe=history.probe, name="unchecked", words="")
    return state(history, probes.never_due, clock, place)


def _late(parts: Sequence[Placed]) -> set[Placed]:
    """Parts that came when a later one had come already."""
    late, least_after = set(), float("inf")
    for part in sorted(parts, reverse=True):
        if part.text > least_after:
            late.add(part)
        least_after = min(least_after, part.text)
    return late


def _turns(parts: Sequence[Placed], probes: Probes) -> Iterator[int]:
    """Texts from which on something else is known of earlier places."""
    ordered = sorted(parts)
    places = [part.place for part in ordered]
    least_after = [ALWAYS] * (len(ordered) + 1)
    for k in range(len(ordered) - 1, -1, -1):
        least_after[k] = min(least_after[k + 1], ordered[k].text)
    for one in probes.judged:
        if least_after[bisect_left(places, one.seen.place)] < one.text:
            yield one.text
        if one.aside is not None:
            yield one.aside


def _clock(places: Iterator[Place]) -> Clock:
    ordered = sorted(places)
    return Clock(ordered[0] if ordered else None, ordered)


def _histories(probes: Probes, low: int, high: int) -> list[tuple[ProbeHistory, int]]:
    """What was known of every probe between two turns, and from which text on there was such a probe."""
    since = {probes.usual: -1}
    for one in probes.judged:
        since[one.seen.probe] = min(one.text, since.get(one.seen.probe, ALWAYS))
    known = [one.seen for one in probes.judged if one.text < high and (one.aside is None or low < one.aside)]
    return [
        (ProbeHistory(probe, (one for one in known if one.probe == probe)), text)
        for probe, text in sorted(since.items())
    ]
