"""Names what moved one machine's readings, from all its groups together, part by part. Pure.

What is told after a part rests on the newest parts alone (`stretch.KEPT`), so that it is the same live, in a backlog
and after a restart. Most parts are plain: only where readings stand off, and somebody asks, are hypotheses weighed.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedback.common import NOTHING, QUIET, Told, Verdict, probe_words, together_words, undecided_words
from feedback.configuration.facts import Group
from feedback.follow import Moment, Progress
from feedback.hypotheses import ONCE, SINCE, STEPS, Hypothesis, Readings, Scores, families, scores
from feedback.registers import Register
from feedback.stretch import NEWS, Place, Stretch
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

Key = tuple[Cause, str]


@dataclass(frozen=True, slots=True)
class _Found:
    """One cause among the explanations, by its best one."""

    key: Key
    since: int
    holds: int
    moved: Mapping[Register, float]
    changes: str  # in words


class Tally:
    """How much of the whole likelihood each named cause has a part in, and how much holds nothing to be told."""

    def __init__(self, found: Sequence[Scores]) -> None:
        top = max(0.0, *(float(one.odds.max()) for one in found))
        whole = quiet = float(np.exp(-top))  # nothing new
        self._best: dict[Key, tuple[float, Scores, tuple[int, int], bool]] = {}
        self._weight: dict[Key, float] = {}
        for one in found:
            share, news = np.exp(one.odds - top), one.is_news()
            whole += float(share.sum())
            is_told = one.known is not None and one.known.is_news
            quiet += 0.0 if is_told else float(share[~news].sum())
            self._count(one, np.where(news, share, 0.0))
            if is_told:
                self._count_known(one, share)
        self.quiet = quiet / whole
        self.shares = {key: weight / whole for key, weight in self._weight.items()}

    def _count(self, one: Scores, share: Array) -> None:
        for m, (member, weight) in enumerate(zip(one.family.members, share.sum(axis=1).tolist(), strict=True)):
            if weight > NEGLIGIBLE:
                self._add((member.what, member.who), weight, one, (m, int(share[m].argmax())), is_known=False)

    def _count_known(self, one: Scores, share: Array) -> None:
        assert one.known is not None
        key = one.known.hypothesis.what, one.known.hypothesis.who
        m, w = np.unravel_index(int(share.argmax()), share.shape)
        self._add(key, float(share.sum()), one, (int(m), int(w)), is_known=True)

    def _add(self, key: Key, weight: float, one: Scores, at: tuple[int, int], *, is_known: bool) -> None:
        self._weight[key] = self._weight.get(key, 0.0) + weight
        odds = float(one.odds[at])
        if key not in self._best or odds > self._best[key][0]:
            self._best[key] = odds, one, at, is_known

    def best(self, key: Key) -> tuple[Hypothesis, int, list[float]]:
        """The hypothesis of this name that explains most, its shape and its amplitudes, um."""
        _, one, (m, w), is_known = self._best[key]
        first = 0 if one.known is None else one.known.hypothesis.columns.shape[1]
        sizes = one.sizes_um[m, w].tolist()
        if is_known:
            assert one.known is not None
            return one.known.hypothesis, one.known.shape, sizes[:first]
        return one.family.members[m], one.family.shapes.start + w, sizes[first:]


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
        self._places: list[Place] = []  # of the machine's remembered parts, in order
        self._number: dict[Place, int] = {}
        self._numbers: list[Counts] = []  # of each group's parts
        self._restless: set[int] = set()
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
        self._places = sorted({place for stretch in self._stretches for place in stretch.places})
        self._number = {place: at for at, place in enumerate(self._places)}
        self._numbers = [np.array([self._number[one] for one in stretch.places]) for stretch in self._stretches]
        self._restless = {
            int(own[row])
            for stretch, own in zip(self._stretches, self._numbers, strict=True)
            for row in stretch.restless(own, RESTLESS_SD)
        }
        self._seen = {place: found for place, found in self._seen.items() if place in self._number}
        self._told = {place: told for place, told in self._told.items() if place in self._number}

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
            self._told[place] = self._held(range(at, max(-1, at - NEWS - 1), -1))
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
            self._seen[place] = self._verdict(self._numbers, at)
        return self._seen[place]

    def _verdict(self, numbers: Sequence[Counts], part: int) -> Verdict:
        residues, places, entries = [], [], list[Hypothesis]()
        for stretch, own, place in zip(self._stretches, numbers, self._suspects.places, strict=True):
            residue = stretch.residue(own, part)
            if residue is not None:
                residues.append(residue)
                places.append(place)
                entries += [
                    self._suspects.entry(stretch.group.registers[r], um, age + 1) for r, age, um in residue.entries
                ]
        if not residues:
            return NOTHING
        readings = Readings(residues, places, len(self._suspects.features))
        return self._judged(scores(readings, [*self._suspects.families, *families(entries)], PAIRS_OF))

    def _judged(self, found: Sequence[Scores]) -> Verdict:
        """Name what stands in nearly all of the likelihood, and call unknown what is there but has no name."""
        if max(float(one.odds.max()) for one in found) < 0:
            return NOTHING
        tally = Tally(found)
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
