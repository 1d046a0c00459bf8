"""Names what moved one machine's readings, from all its groups together, part by part. Pure.

What is told after a part rests on the newest parts alone (`stretch.KEPT`), so that it is the same live, in a backlog
and after a restart. Most parts are plain: only where readings stand off, and somebody asks, are hypotheses weighed.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedback.common import NOTHING, QUIET, Told, Verdict, probe_words, together_words, undecided_words
from feedback.configuration.facts import Group
from feedback.follow import Moment, Progress
from feedback.hypotheses import (
    ONCE,
    SHAPES,
    SINCE,
    STEPS,
    Found,
    Hypothesis,
    Known,
    Readings,
    Scores,
    family_of_parts,
    scores,
)
from feedback.registers import Register
from feedback.stretch import BINS, NEWS, Place, Stretch
from feedback.suspects import Suspects
from feedback.units import Unit
from rules.evidence import Cause

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

RESTLESS_SD = 3.8  # of a reading, or of all of a register: nothing that is nearer could be named
PAIRS_OF = 2  # best single explanations that are also tried together with every other
SHARE = 0.25  # of its largest change below which a register was not moved by it
LIKELY = 0.5  # share of the likelihood from which a second edge makes a first one doubtful
NEGLIGIBLE = 1e-6  # share of the likelihood below which nothing is counted
AT_ONCE = 64  # parts weighed together: more save nothing
NUMBERS_AT_ONCE = 2_000_000  # of one table: 16 MB

Key = tuple[Cause, str]


@dataclass(frozen=True, slots=True)
class _Found:
    """One cause among the explanations, by its best one."""

    key: Key
    since: int
    holds: int
    moved: Mapping[Register, float]
    changes: str  # in words


class _Best(NamedTuple):
    """The explanation of a name that explains most: where it stands among the H, and what is known beside it.

    `is_known`: the name is that of the known one.
    """

    odds: float
    at: int
    known: Known | None
    is_known: bool


class Tally:
    """How much of the likelihood of one part each named cause has a part in, and how much holds nothing to be told."""

    def __init__(self, found: Found, part: int) -> None:
        self._found, self._part = found, part
        self._top = max(0.0, found.top(part))
        self._whole = self._quiet = float(np.exp(-self._top))  # nothing new
        self._best: dict[Key, _Best] = {}
        self._weight: dict[Key, float] = {}
        self._count(found.alone, part, None)
        for row, known in enumerate(found.known):
            if known.part == part:
                self._count(found.beside, row, known)
        self.quiet = self._quiet / self._whole
        self.shares = {key: weight / self._whole for key, weight in self._weight.items()}

    def _count(self, scores: Scores, row: int, known: Known | None) -> None:
        """One row of scores: alone, or beside a known one; where that is news, all of it is that one's too."""
        odds, is_news = scores.odds[row], scores.is_news[row]
        share = np.exp(odds - self._top)
        is_told = known is not None and known.is_news
        self._whole += float(share.sum())
        self._quiet += 0.0 if is_told else float(share[~is_news].sum())
        news = np.where(is_news, share, 0.0)
        weights = np.add.reduceat(news, self._found.firsts)
        clear: dict[int, list[int]] = {}
        for member in np.flatnonzero(weights > NEGLIGIBLE).tolist():
            clear.setdefault(self._found.places[member].family, []).append(member)
        for family, span in enumerate(self._found.families):
            for member in clear.get(family, ()):
                self._count_member(member, float(weights[member]), odds, news, known)
            if known is not None and is_told and self._found.asked[family].of_part(self._part):
                at = span.start + int(share[span].argmax())
                best = _Best(float(odds[at]), at, known, is_known=True)
                self._add(known.hypothesis.name, float(share[span].sum()), best)

    def _count_member(self, member: int, weight: float, odds: Array, news: Array, known: Known | None) -> None:
        place = self._found.places[member]
        at = place.span.start + int(news[place.span].argmax())
        name = self._found.hypothesis(self._part, place).name
        self._add(name, weight, _Best(float(odds[at]), at, known, is_known=False))

    def _add(self, key: Key, weight: float, best: _Best) -> None:
        self._weight[key] = self._weight.get(key, 0.0) + weight
        if key not in self._best or best.odds > self._best[key].odds:
            self._best[key] = best

    def best(self, key: Key) -> tuple[Hypothesis, int, list[float]]:
        """The hypothesis of this name that explains most, its shape and its amplitudes, um."""
        _, at, known, is_known = self._best[key]
        place = self._found.places[int(np.searchsorted(self._found.firsts, at, side="right")) - 1]
        one = self._found.hypothesis(self._part, place)
        shape = one.shapes.start + at - place.span.start
        of_known, own = self._found.sizes_um(self._part, one, shape, known)
        if is_known:
            assert known is not None
            return known.hypothesis, known.shape, of_known
        return one, shape, own


class Weighing:
    """One machine's memory of its newest parts and what is told of them.

    A cause is named when it is `times` as likely as everything else together.
    """

    def __init__(self, groups: Sequence[Group], times: float) -> None:
        self._stretches = [Stretch(group) for group in groups if group.registers]
        self._at = {stretch.group.key: stretch for stretch in self._stretches}
        self._times = times
        self._suspects = Suspects(
            [stretch.group for stretch in self._stretches], [stretch.sensitivity for stretch in self._stretches]
        )
        numbers = len(self._suspects.features) ** 2 * BINS * len(SHAPES)
        self._at_once = max(1, min(AT_ONCE, NUMBERS_AT_ONCE // max(1, numbers)))
        self._places: list[Place] = []  # of the machine's remembered parts, in order
        self._number: dict[Place, int] = {}
        self._numbers: list[Counts] = []  # of each group's parts
        self._restless: set[int] = set()
        self._expected: set[int] = set()  # restless parts that somebody is going to ask for
        self._seen: dict[Place, Verdict] = {}  # what a part shows by itself
        self._told: dict[Place, Verdict] = {}

    def forget(self, group: Group) -> None:
        """The group is about to be followed anew."""
        self._seen, self._told = {}, {}
        if group.key in self._at:
            self._at[group.key].forget()

    def take(self, news: Iterable[tuple[Group, Progress]]) -> None:
        """Count in what the groups have seen, each group's parts in order; `told` then answers for these parts."""
        for stretch in self._stretches:
            stretch.trim()
        self.take_up(news)

    def take_up(self, kept: Iterable[tuple[Group, Progress]]) -> None:
        """Likewise after a restart, or where a group was followed anew; all of it is kept until the next run."""
        for group, progress in kept:
            if group.key in self._at:
                self._at[group.key].add(progress)
        self._number_places()
        self._restless = {
            int(own[row])
            for stretch, own in zip(self._stretches, self._numbers, strict=True)
            for row in stretch.restless(own, RESTLESS_SD)
        }
        self._expected = set()
        self._seen = {place: found for place, found in self._seen.items() if place in self._number}
        self._told = {place: told for place, told in self._told.items() if place in self._number}

    def expect(self, moments: Iterable[Moment]) -> None:
        """These parts are going to be asked about: they can be weighed together. Changes no answer."""
        for moment in moments:
            at = self._number.get(_place(moment))
            if at is not None:
                self._expected.update(self._restless.intersection(range(at - NEWS, at + 1)))

    def _number_places(self) -> None:
        """The machine's parts in order, and which of them each group has."""
        own = [stretch.places for stretch in self._stretches]
        longest = max(own, key=len, default=[])
        self._places = longest if all(one == longest for one in own) else sorted({one for ones in own for one in ones})
        self._number = {place: at for at, place in enumerate(self._places)}
        everything = np.arange(len(self._places))
        self._numbers = [
            everything if len(ones) == len(self._places) else np.array([self._number[one] for one in ones])
            for ones in own
        ]

    def told(self, moment: Moment) -> Verdict | None:
        """What is told after one part; None where no group remembers it."""
        return self._told_at(_place(moment))

    @property
    def newest(self) -> Verdict:
        """What is told after the newest part of the machine."""
        return NOTHING if not self._places else self._told_at(self._places[-1]) or NOTHING

    def _told_at(self, place: Place) -> Verdict | None:
        """Weighed when it is asked for: most parts of a backlog never are."""
        at = self._number.get(place)
        if at is not None and place not in self._told:
            numbers = range(at, max(-1, at - NEWS - 1), -1)
            self._told[place] = NOTHING if self._restless.isdisjoint(numbers) else self._held(numbers)
        return self._told.get(place)

    def _held(self, numbers: Sequence[int]) -> Verdict:
        """What the first of these parts shows, and what those before it showed that still holds."""
        held: dict[Register, Told] = {}
        for ago, at in enumerate(numbers):
            for register, told in self._shown(at).items():
                if ago == 0 or (told.holds >= ago and held.get(register, QUIET).cause in ("none", "unknown")):
                    held[register] = told
        return held

    def _shown(self, at: int) -> Verdict:
        if at not in self._restless:
            return NOTHING
        place = self._places[at]
        if place not in self._seen:
            self._look_at(at)
        return self._seen[place]

    def _look_at(self, at: int) -> None:
        """Weigh a part, and with it the next ones that will be asked for anyway."""
        waiting = sorted(part for part in self._expected if part != at and self._places[part] not in self._seen)
        parts = [at, *waiting[: self._at_once - 1]]
        self._expected.difference_update(parts)
        for part, verdict in zip(parts, self._verdicts(parts), strict=True):
            self._seen[self._places[part]] = verdict

    def _verdicts(self, parts: Sequence[int]) -> list[Verdict]:
        residues, places, entries = [], [], [list[Hypothesis]() for _ in parts]
        for stretch, own, place in zip(self._stretches, self._numbers, self._suspects.places, strict=True):
            residue = stretch.residues(own, np.array(parts))
            if residue is None:
                continue
            residues.append(residue)
            places.append(place)
            for hypotheses, entered in zip(entries, residue.entries, strict=True):
                hypotheses += [
                    self._suspects.entry(stretch.group.registers[one.register], one.um, one.age + 1) for one in entered
                ]
        if not residues:
            return [NOTHING] * len(parts)
        features = len(self._suspects.features)
        asked = list(self._suspects.families)
        if any(entries):
            asked.append(family_of_parts(entries, STEPS, features))
        found = scores(Readings(residues, places, features), asked, PAIRS_OF)
        return [self._judged(found, part) for part in range(len(parts))]

    def _judged(self, found: Found, part: int) -> Verdict:
        """Name what stands in nearly all of the likelihood, and call unknown what is there but has no name."""
        if found.top(part) < 0:
            return NOTHING
        tally = Tally(found, part)
        sure = self._times / (1 + self._times)
        edges = [key for key, share in tally.shares.items() if key[0] == "new-edge" and share >= LIKELY]
        named = [key for key, share in tally.shares.items() if share >= sure or (key in edges and len(edges) > 1)]
        if named:
            return _named([self._found(key, tally) for key in named])
        if 1 - tally.quiet >= sure:
            likely = sorted(tally.shares, key=lambda key: -tally.shares[key])
            seen = [key for key in likely if tally.shares[key] > 1 / (2 * self._times)]
            return _undecided([self._found(key, tally) for key in seen])
        return NOTHING

    def _found(self, key: Key, tally: Tally) -> _Found:
        hypothesis, shape, sizes = tally.best(key)
        column = hypothesis.columns @ np.array(sizes)
        since = int(SINCE[shape])
        moved = self._moved(hypothesis, column)
        sizes_um = self._apart(column) if hypothesis.apart else _sizes(moved)
        return _Found(key, since, _holds(hypothesis, since), moved, _changes(sizes_um, since, hypothesis.apart))

    def _apart(self, column: Array) -> dict[str, str]:
        """The features that went their own way, and by how much."""
        least = SHARE * float(np.abs(column).max())
        features = zip(self._suspects.features, column.tolist(), strict=True)
        return {f"feature {one.id}": _in_words(one.unit, um) for one, um in features if abs(um) > least}

    def _moved(self, hypothesis: Hypothesis, column: Array) -> dict[Register, float]:
        """The registers that the cause seems to have moved, and by how much: what fits the change of their features.

        Of features that went apart, all registers that move them: the change is about those, though none explains it.
        """
        notable = np.abs(column) > SHARE * float(np.abs(column).max())
        moved = {
            register: float(own @ column / (own @ own))
            for register, own in self._suspects.registers.items()
            if np.any(notable & (own != 0)) and _may_move(hypothesis, register)
        }
        largest = max((abs(um) for um in moved.values()), default=0.0)
        return {one: um for one, um in moved.items() if hypothesis.apart or abs(um) > SHARE * largest}


def _may_move(hypothesis: Hypothesis, register: Register) -> bool:
    """What happens to one tool is told of that tool, also where another one's features feel it."""
    return hypothesis.what not in ("new-edge", "tool-broken", "wear") or register.owner == hypothesis.who


def _holds(hypothesis: Hypothesis, since: int) -> int:
    """For how many parts more it is news: a drift goes on, a step grows old, and one wild reading is over."""
    if hypothesis.shapes == STEPS:
        return NEWS - since
    return 0 if hypothesis.shapes == ONCE else NEWS


def _place(moment: Moment) -> Place:
    return Place(moment.seen.at_us, moment.seen.part_id)


def _named(found: Sequence[_Found]) -> Verdict:
    told: dict[Register, Told] = {}
    edges = [one for one in found if one.key[0] == "new-edge"]
    if len(edges) > 1:
        words = together_words("; ".join(one.changes for one in edges))
        return {register: Told("unknown", words, True, one.holds) for one in edges for register in one.moved}
    for one in found:
        cause = one.key[0]
        words = probe_words(one.changes) if cause == "probe" else one.changes
        told |= {register: Told(cause, words, cause == "probe", one.holds) for register in one.moved}
    return told


def _undecided(found: Sequence[_Found]) -> Verdict:
    registers = {register for one in found for register in one.moved}
    owners = {register.owner for register in found[0].moved} if found else set()
    if not registers:
        return NOTHING
    words = undecided_words(found[0].changes, [one.key for one in found[:2]])
    return {register: Told("unknown", words, len(owners) > 1) for register in registers}


def _changes(sizes: Mapping[str, str], since: int, apart: str) -> str:
    """ "tool 5 radius and tool 6 radius by -4.1 um, work 54 X by +4.0 um, over the last 3 parts"."""
    by_size: dict[str, list[str]] = {}
    for name, size in sizes.items():
        by_size.setdefault(size, []).append(name)
    moved = ", ".join(f"{' and '.join(names)} by {size}" for size, names in by_size.items())
    words = f"{moved}, {'with this part' if since == 1 else f'over the last {since} parts'}"
    return f"{words}: {apart}" if apart else words


def _sizes(moved: Mapping[Register, float]) -> dict[str, str]:
    return {str(register): _in_words(register.unit, um) for register, um in moved.items()}


def _in_words(unit: Unit, um: float) -> str:
    return f"{um / 1000:+.4f} deg" if unit == "deg" else f"{um:+.1f} um"
