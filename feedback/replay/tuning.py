"""Which limits would have served best: searched on the cell's own past, chosen on one span, shown on a later one. Pure.

Two things pull against each other: how often somebody has to correct, and how far parts scatter. So the answer is a
front, every setting on it the best for its number of corrections; one is picked by a stated rule, for a person to
adopt or not. What was chosen on the first part of the past is judged on the rest, which the choice has not seen.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import exp, isinf, log
from typing import Final, Literal

import numpy as np

from feedback.replay.lanes import BLOCKS, Lanes
from feedback.replay.many import Outcome
from feedback.replay.past import Flags, Floats
from rules.limits import Limits

Goal = Literal["tighter", "fewer"]
Interval = tuple[float, float]
CHOSEN_ON: Final = 12  # of the BLOCKS stretches of time: 60 %; the rest is for judging
LEAST_EVIDENCE: Final = 2  # proposed: whether to correct on one part, a person decides
WORTH: Final = 1.01  # a limit is changed only for more than one per cent
BARGAIN: Final = 1.03  # above the line between its neighbours, more corrections buy less than they do elsewhere
GAIN: Final = 1.02  # from one setting of the front to the next; less is not worth a person's reading
LEAST_PARTS: Final = 100  # in each span; fewer say little about rare corrections
LEAST_CORRECTIONS: Final = 5  # on the first span by the busiest setting; a process that asks for fewer is stable
_NO_GAIN: Final = "no gain that chance would not explain; keep the limits in force"
STUDENT: Final = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365)  # 97.5 % for 1 to 7 degrees of freedom


@dataclass(frozen=True, slots=True)
class Scope:
    """What is tuned together: a kind of register ("tool"), or one register ("M1 tool 5 radius")."""

    name: str
    is_register: bool

    def lanes(self, table: Lanes) -> Flags:
        """B: the lanes that belong to it."""
        found = table.names if self.is_register else table.kinds
        return np.array([name == self.name for name in found], dtype=np.bool_)


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """What a setting did in one span. Spreads in um (mdeg for rotary registers)."""

    parts: int  # of the lane with most of them
    corrections: int
    per_100: float  # corrections for 100 parts, all registers of the scope together
    rms_um: float
    outside: float  # share of readings out of tolerance
    held: int
    stopped: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """One setting: chosen on `first`, judged on `later`."""

    limits: Limits
    first: Span
    later: Span
    squares: tuple[float, ...]  # sum of squares in every stretch of time
    read: tuple[int, ...]
    corrected: tuple[int, ...]  # corrections in every stretch


def tried(outcome: Outcome, table: Lanes, scope: Scope, each: Sequence[Limits]) -> list[Tried]:
    """Every setting's results on the scope's registers and the features they move."""
    lanes = scope.lanes(table)
    features = np.array(
        [bool(lanes[np.array(m)[p != 0]].any()) for m, p in zip(table.mover, table.pulled, strict=True)]
    )
    read = outcome.read[:BLOCKS, features].sum(axis=1)
    found = []
    for s, limits in enumerate(each):
        squares = outcome.squares[:BLOCKS, features, s].sum(axis=1)
        spans = [_span(outcome, lanes, features, s, blocks) for blocks in (slice(CHOSEN_ON), slice(CHOSEN_ON, BLOCKS))]
        found.append(
            Tried(
                limits=limits,
                first=spans[0],
                later=spans[1],
                squares=tuple(squares.tolist()),
                read=tuple(int(count) for count in read),
                corrected=tuple(int(n) for n in outcome.corrections[:BLOCKS, lanes, s].sum(axis=1)),
            )
        )
    return found


def _span(outcome: Outcome, lanes: Flags, features: Flags, s: int, blocks: slice) -> Span:
    read = int(outcome.read[blocks][:, features].sum())
    parts = outcome.parts[blocks][:, lanes].sum(axis=0)
    corrections = int(outcome.corrections[blocks][:, lanes, s].sum())
    squares = float(outcome.squares[blocks][:, features, s].sum())
    return Span(
        parts=int(parts.max(initial=0)),
        corrections=corrections,
        per_100=100 * corrections / max(1, int(_parts_of_machines(outcome, lanes, blocks))),
        rms_um=float(np.sqrt(squares / read)) if read else float("nan"),
        outside=int(outcome.outside[blocks][:, features, s].sum()) / read if read else float("nan"),
        held=int(outcome.held[blocks][:, lanes, s].sum()),
        stopped=int(outcome.stopped[blocks][:, lanes, s].sum()),
    )


def _parts_of_machines(outcome: Outcome, lanes: Flags, blocks: slice) -> int:
    """Parts cut: on every machine those of its register with most of them."""
    most: dict[str, int] = {}
    for lane in np.flatnonzero(lanes):
        machine = outcome.names[lane].split(" ")[0]
        most[machine] = max(most.get(machine, 0), int(outcome.parts[blocks, lane].sum()))
    return sum(most.values())


def front(some: Sequence[Tried]) -> list[Tried]:
    """The settings worth having by the first span, fewest corrections first.

    No other beats them in both corrections and spread; none spreads more than three per cent wider than the line
    between two others, on logarithms, would have it; and each is at least two per cent tighter than the one before.
    """
    best: list[Tried] = []
    for one in sorted(some, key=lambda one: (one.first.corrections, one.first.rms_um)):
        if not best or one.first.rms_um < best[-1].first.rms_um:
            best.append(one)
    return _apart(_bargains(best))


def _bargains(edge: Sequence[Tried]) -> list[Tried]:
    places = [(log(max(0.5, one.first.corrections)), log(max(1e-6, one.first.rms_um))) for one in edge]
    below = _hull(places)
    lines = np.interp([x for x, _ in places], [x for x, _ in below], [y for _, y in below])
    return [one for one, (_, y), line in zip(edge, places, lines, strict=True) if y <= line + log(BARGAIN)]


def _apart(edge: Sequence[Tried]) -> list[Tried]:
    kept: list[Tried] = []
    for one in edge:
        if not kept or GAIN * one.first.rms_um <= kept[-1].first.rms_um:
            kept.append(one)
    return kept


def _hull(places: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The lower convex hull of places that ascend in x (Andrew 1979)."""
    kept: list[tuple[float, float]] = []
    for x, y in places:
        while len(kept) > 1 and _is_above(kept[-1], kept[-2], (x, y)):
            kept.pop()
        kept.append((x, y))
    return kept


def _is_above(middle: tuple[float, float], left: tuple[float, float], right: tuple[float, float]) -> bool:
    return (middle[1] - left[1]) * (right[0] - left[0]) >= (right[1] - left[1]) * (middle[0] - left[0])


def pick(some: Sequence[Tried], goal: Goal) -> Tried:
    """What is no worse than the limits in force (the first of `some`) in one thing, and best in the other.

    "tighter": the least spread with no more corrections. "fewer": the fewest corrections with no more spread. Never
    on less evidence than two parts, unless that is in force: one reading may be a chip, which no past need have shown.
    """
    now, evidence = some[0].first, min(LEAST_EVIDENCE, some[0].limits.evidence)
    some = [one for one in some if one.limits.evidence >= evidence]
    if goal == "tighter":
        able = [one for one in some if one.first.corrections <= now.corrections]
        least = min(one.first.rms_um for one in able)
        return _plainest([one for one in able if one.first.rms_um <= WORTH * least], some[0])
    able = [one for one in some if one.first.rms_um <= now.rms_um]
    fewest = min(one.first.corrections for one in able)
    return _plainest([one for one in able if one.first.corrections <= WORTH * fewest], some[0])


def _plainest(some: Sequence[Tried], now: Tried) -> Tried:
    """Of settings as good as each other the one that changes the fewest limits."""

    def changed(one: Tried) -> int:
        return sum(getattr(one.limits, name) != getattr(now.limits, name) for name in KEYS.values())

    return min(some, key=lambda one: (changed(one), one.first.rms_um, one.first.corrections))


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuned:
    """What came of one scope: all settings tried (the first is the one in force), the front, and what to say of it.

    `chosen` is None where the past does not suffice to choose. `ratio` is its spread over that of the limits in force
    on the later span, with a 95 % interval from the scatter between stretches of time.
    """

    scope: Scope
    tried: Sequence[Tried]
    front: Sequence[Tried]
    chosen: Tried | None
    ratio: tuple[float, float, float] | None
    words: str

    @property
    def in_force(self) -> Tried:
        return self.tried[0]


def judged(scope: Scope, some: Sequence[Tried], goal: Goal) -> Tuned:
    """The choice among all settings tried, or why there is none; `some` begins with the limits in force."""
    edge, now = front(some), some[0]
    why = _too_little(now, some)
    chosen = pick(some, goal)
    if why is None and chosen.limits == now.limits:
        why = "the limits in force are the ones the search would choose: keep them"
    if why is not None:
        return Tuned(scope=scope, tried=some, front=edge, chosen=None, ratio=None, words=why)
    ratio = compared(chosen, now)
    words = _words(chosen, now, ratio)
    if not _is_better(chosen, now, ratio, goal):
        return Tuned(scope=scope, tried=some, front=edge, chosen=None, ratio=ratio, words=f"{words}: {_NO_GAIN}")
    return Tuned(scope=scope, tried=some, front=edge, chosen=chosen, ratio=ratio, words=words)


def _is_better(chosen: Tried, now: Tried, ratio: tuple[float, float, float], goal: Goal) -> bool:
    """On the later span too: surely tighter; or fewer corrections, and not surely a wider spread."""
    if goal == "tighter":
        return ratio[2] < 1
    return chosen.later.corrections < now.later.corrections and ratio[1] <= 1


def _too_little(now: Tried, some: Sequence[Tried]) -> str | None:
    fewest = min(now.first.parts, now.later.parts)
    if fewest < LEAST_PARTS:
        return (
            f"too short to choose: {now.first.parts} parts to choose on and {now.later.parts} to judge on; wanted "
            f"{LEAST_PARTS} of each: keep the limits in force"
        )
    most = max(one.first.corrections for one in some)
    if most < LEAST_CORRECTIONS:
        return (
            f"too stable to choose: no setting corrects more than {most} times in {now.first.parts} parts; wanted "
            f"{LEAST_CORRECTIONS}: keep the limits in force"
        )
    return None


def compared(one: Tried, other: Tried) -> tuple[float, float, float]:
    """Ratio of the spreads on the later span, and its 95 % interval."""
    above, below = (np.array(each.squares[CHOSEN_ON:BLOCKS]) for each in (one, other))
    ratio = float(np.sqrt(above.sum() / below.sum()))
    return ratio, *_around(ratio, above, below, power=0.5)


def to_expect(one: Tried) -> tuple[Interval, Interval]:
    """RMS and corrections for 100 parts to expect of other parts: 95 % intervals from the later span, inf: unknown.

    New edges and wear make stretches differ; the scatter between them is what the intervals come from.
    """
    later = slice(CHOSEN_ON, BLOCKS)
    read = np.array(one.read[later], dtype=np.float64)
    rms = _around(one.later.rms_um, np.array(one.squares[later]), read, power=0.5)
    return rms, _around(one.later.per_100, np.array(one.corrected[later], dtype=np.float64), np.ones(len(read)))


def _around(value: float, sums: Floats, weights: Floats, power: float = 1.0) -> Interval:
    """95 % interval of the ratio of totals to this power, `value`, over stretches of time taken for independent.

    Ratio estimate (Cochran 1977, 6.3) on logarithms, with Student's quantile: eight stretches resampled (Efron 1979)
    promised too much, the truth lay outside for one setting in seven of a process whose edges break in.
    """
    sums, weights = sums[weights > 0], weights[weights > 0]
    if len(sums) < 2 or not sums.sum():
        return 0.0, float("inf")
    off = sums - weights * sums.sum() / weights.sum()
    share = power * float(np.sqrt(len(off) / (len(off) - 1) * np.square(off).sum()) / sums.sum())
    reach = exp(STUDENT[len(sums) - 2] * share)
    return value / reach, value * reach


def _words(chosen: Tried, now: Tried, ratio: tuple[float, float, float]) -> str:
    return (
        f"on the later {chosen.later.parts} parts: {now.later.corrections} -> {chosen.later.corrections} corrections, "
        f"RMS {now.later.rms_um:.2f} -> {chosen.later.rms_um:.2f} um "
        f"(x {ratio[0]:.2f}, 95 % interval {ratio[1]:.2f} to {ratio[2]:.2f}); {_expected(chosen)}"
    )


def _expected(chosen: Tried) -> str:
    rms, corrections = to_expect(chosen)
    if isinf(rms[1]) or isinf(corrections[1]):
        return "too little there to say what to expect of other parts"
    return (
        f"of other parts expect RMS {rms[0]:.1f} to {rms[1]:.1f} um with {corrections[0]:.1f} to {corrections[1]:.1f} "
        "corrections for 100"
    )


def reasons(tuned: Tuned) -> Iterator[tuple[str, str]]:
    """For every limit that the choice changes: its key in limits.toml, and why this value."""
    assert tuned.chosen is not None
    chosen, now = tuned.chosen.limits, tuned.in_force.limits
    for key, name in KEYS.items():
        if getattr(chosen, name) != getattr(now, name):
            yield key, f"was {written(key, now)}; chosen on {tuned.chosen.first.parts} parts, {_because(tuned, name)}"


def _because(tuned: Tuned, name: str) -> str:
    """What the neighbouring settings, alike in all but this limit, would have done on the first span."""
    assert tuned.chosen is not None
    chosen = tuned.chosen
    alike = [one for one in tuned.tried if replace(one.limits, **{name: getattr(chosen.limits, name)}) == chosen.limits]
    others = [one for one in alike if one is not chosen]
    own = f"{chosen.first.corrections} corrections, RMS {chosen.first.rms_um:.2f} um there"
    if not others:
        return own
    near = min(others, key=lambda one: abs(getattr(one.limits, name) - getattr(tuned.in_force.limits, name)))
    key = next(key for key, own_name in KEYS.items() if own_name == name)
    return f"{own}; with {written(key, near.limits)}: {near.first.corrections} and {near.first.rms_um:.2f} um"


KEYS: Final = {
    "band": "band",
    "aim": "aim",
    "step": "step_um",
    "settle": "settle",
    "evidence": "evidence",
    "confidence": "confidence",
}


def written(key: str, limits: Limits, unit: str = "mm") -> str | int:
    """A limit as limits.toml has it."""
    value = getattr(limits, KEYS[key])
    if key in ("settle", "evidence"):
        return int(value)
    return f"{value / 1000:.4g} {unit}" if key == "step" else f"{100 * value:g} %"
