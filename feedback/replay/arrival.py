"""What had arrived when, and what was believed of it then. Pure.

Texts are counted; every part came with one of them. A replay may look at nothing that came with a later text: neither
at parts delivered late, nor at a failed check that casts doubt on readings taken long before it.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple

from feedback.follow import Happening, PartSeen

PARTS_FOLLOWED_AGAIN: Final = 400  # as live: a group that starts over sees so many of its newest parts
LAST: Final = 2**62  # every text has been taken

Place = tuple[int, int]  # time, part id


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """Readings after `since` and up to `until` (None: all later ones), not believed from text `told` on.

    `ended` is the text that said until when, `lifted` the count of texts when a person answered for the readings.
    """

    words: str
    since: Place
    until: Place | None
    told: int
    ended: int | None = None
    lifted: int | None = None

    def holds(self, place: Place, text: int) -> bool:
        """Whether a reading at `place` was in doubt when `text` had been taken."""
        if text < self.told or (self.lifted is not None and self.lifted <= text) or place <= self.since:
            return False
        is_open = self.until is None or (self.ended is not None and text < self.ended)
        return is_open or (self.until is not None and place <= self.until)


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrivals:
    """The text that completed each part (by part id), the doubts, and the texts with which groups started over."""

    text_of: Mapping[int, int] = field(default_factory=dict)
    doubts: Sequence[Doubt] = ()
    again: frozenset[int] = frozenset()

    def text(self, part_id: int) -> int:
        """Without texts, every part comes alone."""
        return self.text_of.get(part_id, part_id)

    def doubted(self, seen: PartSeen, text: int) -> tuple[str, ...]:
        place = seen.at_us, seen.part_id
        return tuple(doubt.words for doubt in self.doubts if doubt.holds(place, text))

    def believed(self, seen: PartSeen, text: int) -> PartSeen:
        """The part as it was believed when `text` had been taken."""
        words = self.doubted(seen, text)
        return replace(seen, deviations={}, doubts=(*seen.doubts, *words)) if words else seen


AS_THEY_CAME: Final = Arrivals()


class Stretch(NamedTuple):
    """What a group saw in one go, and what it was followed again from before that (None: from the beginning)."""

    known: Sequence[Happening] | None
    happenings: Sequence[Happening]


def stretches(happenings: Sequence[Happening], arrivals: Arrivals) -> Iterator[Stretch]:
    """`happenings`, in the order in which they happened, as they were followed.

    Part ids count arrivals. A late part has no row: the newest part is decided on, as live.
    """
    for low, known, some in _stretches(happenings, arrivals):
        again = None if known is None else _as_of(_newest(known, _count(low, arrivals)), arrivals, arrivals.text(low))
        yield Stretch(again, [_when_it_came(one, arrivals) for one in some])


def _stretches(
    happenings: Sequence[Happening], arrivals: Arrivals
) -> Iterator[tuple[int, Sequence[Happening] | None, Sequence[Happening]]]:
    """For each stretch its first part, what was known before, and what came."""
    ids = [one.part_id for one in happenings if isinstance(one, PartSeen)]
    late = _late(ids)
    on_time = [part for part in ids if part not in late]
    bounds = sorted({*_after_late(on_time, late), *_after_doubt(on_time, arrivals)} - set(on_time[:1]))
    if not late and not bounds:
        yield -1, None, happenings
        return
    for low, high in zip([-1, *bounds], [*bounds, max(ids) + 1], strict=True):
        begin, end = _last_before(happenings, low, late), _last_before(happenings, high, late)
        known = None if low < 0 else [one for one in happenings if _is_known(one, low, begin)]
        yield low, known, [one for one in happenings if _belongs(one, low, high, begin, end, late)]


def _late(ids: Sequence[int]) -> set[int]:
    """Ids (in the order of their times) of parts that arrived when a later one had been taken already."""
    late, least_after = set(), float("inf")
    for part in reversed(ids):
        if part > least_after:
            late.add(part)
        least_after = min(least_after, part)
    return late


def _after_late(on_time: Sequence[int], late: set[int]) -> set[int]:
    """The first part on time after each late one."""
    return {min((part for part in on_time if part > one), default=-1) for one in late} - {-1}


def _after_doubt(on_time: Sequence[int], arrivals: Arrivals) -> Iterator[int]:
    """The parts decided on first by what was believed anew: the newest of that text, else the next that came."""
    for text in arrivals.again:
        newest = [part for part in on_time if arrivals.text(part) == text][-1:]
        yield from newest or [part for part in on_time if arrivals.text(part) > text][:1]


def _last_before(happenings: Sequence[Happening], part_id: int, late: set[int]) -> int:
    """The time of the last part on time that arrived before `part_id`."""
    seen = (one for one in happenings if isinstance(one, PartSeen) and one.part_id not in late)
    return max((one.at_us for one in seen if one.part_id < part_id), default=-1)


def _is_known(one: Happening, low: int, begin: int) -> bool:
    return one.part_id < low if isinstance(one, PartSeen) else one.at_us <= begin


def _belongs(one: Happening, low: int, high: int, begin: int, end: int, late: set[int]) -> bool:
    if isinstance(one, PartSeen):
        return low <= one.part_id < high and one.part_id not in late
    return begin < one.at_us <= end


def _count(low: int, arrivals: Arrivals) -> int:
    """How many parts a group that starts over sees before the part `low`, which may be the newest of them itself."""
    return PARTS_FOLLOWED_AGAIN - (arrivals.text(low) in arrivals.again)


def _newest(happenings: Sequence[Happening], count: int) -> Sequence[Happening]:
    places = [place for place, one in enumerate(happenings) if isinstance(one, PartSeen)]
    return happenings[places[-count - 1] + 1 :] if len(places) > count else happenings


def _as_of(happenings: Sequence[Happening], arrivals: Arrivals, text: int) -> Sequence[Happening]:
    return [arrivals.believed(one, text) if isinstance(one, PartSeen) else one for one in happenings]


def _when_it_came(one: Happening, arrivals: Arrivals) -> Happening:
    return arrivals.believed(one, arrivals.text(one.part_id)) if isinstance(one, PartSeen) else one
