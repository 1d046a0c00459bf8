"""The arithmetic of the rules over arrays: many registers under many settings of the limits at once. Pure.

What depends on the limits is worked out here, equal to `rules.engine.decide` (tests/replay/test_arithmetic.py holds
both against each other over random evidence and limits). What does not (doubts, locks, causes, sudden changes) is asked
of the rules themselves, once for every setting: see `bar_of`. Where rounding to the register's grid hangs on the last
digit of a float, the guard itself is asked.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.aim import Aim
from rules.band import Band
from rules.catalogue import RULES
from rules.confidence import Confidence
from rules.conflict import Conflict
from rules.enough_parts import EnoughParts
from rules.evidence import Evidence, FeatureOutlook
from rules.fit import Fit
from rules.growth import Growth
from rules.guard import bound
from rules.limits import Limits
from rules.outlook import quantile
from rules.pending import Pending
from rules.plausible import Plausible
from rules.rejected import Rejected
from rules.rule import Rule
from rules.settle import Settle
from rules.tolerance import Tolerance
from rules.travel import Travel
from rules.verdicts import Hold, Stop, Wait

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Codes = NDArray[np.int8]

WORKED_OUT: Final = (
    Plausible, Tolerance, Fit, EnoughParts, Band, Confidence, Aim, Settle, Pending, Rejected, Growth, Conflict, Travel,
)  # fmt: skip
OTHERS: Final[Sequence[Rule]] = tuple(rule for rule in RULES if not isinstance(rule, WORKED_OUT))

LEAVE, WAIT, HOLD, CORRECT, STOP = range(5)
ANSWERS: Final = ("leave", "wait", "hold", "correct", "stop")

# What the other rules say of one register after one part, as bits.
WAITS, HOLDS, STOPS, WAITS_ALONE, HOLDS_ALONE = 1, 2, 4, 8, 16

NEAR_GRID: Final = 1e-7  # of an increment: nearer to a grid value than this, exact decimals decide


def bar_of(evidence: Evidence, limits: Limits) -> int:
    """What the rules that no limit touches say, as bits."""
    bits = 0
    for rule in OTHERS:
        match rule.judge(evidence, limits):
            case Stop():
                bits |= STOPS
            case Hold():
                bits |= HOLDS_ALONE | HOLDS if rule.stands_alone else HOLDS
            case Wait():
                bits |= WAITS_ALONE | WAITS if rule.stands_alone else WAITS
    return bits


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Limits in arrays, of a shape that broadcasts with the facts; `each` are the same as the rules take them."""

    band: Floats
    aim: Floats
    step_um: Floats
    travel_um: Floats
    settle: Floats
    evidence: Floats
    certainty: Floats  # standard deviations of the confidence
    implausible_um: Floats

    @staticmethod
    def of(each: Sequence[Limits]) -> "Settings":
        """One entry for each."""

        def column(name: str) -> Floats:
            return np.array([getattr(one, name) for one in each], dtype=np.float64)

        return Settings(
            band=column("band"),
            aim=column("aim"),
            step_um=column("step_um"),
            travel_um=column("travel_um"),
            settle=column("settle"),
            evidence=column("evidence"),
            certainty=np.array([quantile(one.confidence) for one in each]),
            implausible_um=column("implausible_um"),
        )

    def reshaped(self, *shape: int) -> "Settings":
        return Settings(**{name: getattr(self, name).reshape(shape) for name in self.__slots__})

    def at(self, *where: NDArray[np.int64]) -> "Settings":
        return Settings(**{name: getattr(self, name)[where] for name in self.__slots__})


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What is known of registers after a part, in arrays that broadcast with the settings; J features on the last axis.

    `room_um` is what the best step leaves on the side that wear moves away from (see `rules.aim`); features that a
    register does not have are nan in `half_um`, `pull` and `room_um`.
    """

    error_um: Floats
    sd_um: Floats
    margin_um: Floats
    half_um: Floats  # ... x J
    pull: Floats  # ... x J, |S|
    onward_um: Floats  # ... x J, how far the best step leaves a feature on the side it wears away from
    drift_um: Floats  # slope x wear sign
    slope_sd_um: Floats
    wear_sign: Floats
    is_tool: Flags
    parts: Floats
    bar: NDArray[np.int64]
    worst_um: Floats  # the largest |last reading|, nan where one is no number; -1 without a reading
    is_outside: Flags  # a reading is out of tolerance
    since_change: Floats  # inf: never changed
    is_unproven: Flags
    is_pending: Flags  # accepted, or rejected lately
    may_grow: Flags
    travel_um: Floats
    now: Floats  # increments; nan: unknown
    increment_mm: Floats


@dataclass(frozen=True, slots=True)
class Answered:
    """Answers as codes, and the change in increments (0 where there is no step)."""

    answer: Codes
    change: Floats


def band_um(half_um: Floats, pull: Floats, settings: Settings) -> Floats:
    """The tightest feature's share of half its tolerance, in register micrometres; features on the last axis."""
    bands = settings.band[..., None] * half_um / pull
    return np.asarray(np.nanmin(np.where(np.isnan(bands), np.inf, bands), axis=-1), dtype=np.float64)


def decided(facts: Facts, settings: Settings, band: Floats | None = None) -> Answered:
    """As `rules.engine.decide` would answer, for every register under every setting; `band` is that of `band_um`."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return _decided(facts, settings, band_um(facts.half_um, facts.pull, settings) if band is None else band)


def _decided(facts: Facts, settings: Settings, band: Floats) -> Answered:
    size = np.abs(facts.error_um)
    is_known = np.isfinite(facts.error_um)
    wishes = is_known & (size > band)
    enough = facts.parts >= settings.evidence
    sure = size - band >= settings.certainty * facts.sd_um
    grows = wishes & facts.is_tool & (facts.error_um * facts.wear_sign < 0) & ~facts.may_grow
    conflict = is_known & ~(facts.margin_um > 0)
    room = np.maximum(0.0, settings.travel_um - np.where(facts.error_um < 0, facts.travel_um, -facts.travel_um))
    is_used_up = wishes & (room < facts.increment_mm * 1000)
    bar = facts.bar
    holds_alone = ((bar & HOLDS_ALONE) > 0) | (conflict & enough)
    waits_alone = ((bar & WAITS_ALONE) > 0) | (conflict & ~enough) | ~is_known
    holds = (
        ((bar & HOLDS) > 0)
        | (facts.since_change < settings.settle)
        | (np.isfinite(facts.since_change) & facts.is_unproven)
        | facts.is_pending
        | (grows & sure & enough)
        | is_used_up
        | holds_alone
    )
    waits = ((bar & WAITS) > 0) | ~enough | ~sure | (grows & ~(sure & enough)) | waits_alone
    stops = ((bar & STOPS) > 0) | ((facts.worst_um >= 0) & (facts.worst_um > settings.implausible_um))
    stops |= np.isnan(facts.worst_um)
    is_free = wishes & ~holds & ~waits & ~stops
    change = np.zeros(np.broadcast_shapes(is_free.shape, facts.now.shape))
    if is_free.any():
        change[is_free] = _changes(facts, settings, band, is_free)
    answer = np.select(
        [stops | facts.is_outside, wishes & holds, wishes & waits, wishes & (change != 0)],
        [STOP, HOLD, WAIT, CORRECT],
        np.where(~wishes & holds_alone, HOLD, np.where(~wishes & waits_alone, WAIT, LEAVE)),
    )
    return Answered(answer.astype(np.int8), change)


def _changes(facts: Facts, settings: Settings, band: Floats, due: Flags) -> Floats:
    """Steps in increments for the registers under the settings where `due`."""

    def of(column: NDArray[np.float64]) -> Floats:
        return np.broadcast_to(column, due.shape)[due]

    def of_features(column: Floats) -> Floats:
        return np.broadcast_to(column, (*due.shape, column.shape[-1]))[due]

    error, sign, share = of(facts.error_um), of(facts.wear_sign), of(settings.band)
    drift = of(facts.drift_um)
    is_proven = of(facts.is_tool.astype(np.float64)) > 0
    is_proven = is_proven & (drift > 0) & (drift > of(settings.certainty) * of(facts.slope_sd_um))
    is_proven &= error * sign > 0
    rooms = (share[:, None] * of_features(facts.half_um) - of_features(facts.onward_um)) / of_features(facts.pull)
    least = np.min(np.where(np.isnan(rooms), np.inf, rooms), axis=-1)
    past = np.maximum(0.0, np.minimum(of(settings.aim) * of(band), least))
    wish = -error + np.where(is_proven, -sign * past, 0.0)
    return bounded(
        wish, of(settings.step_um), of(settings.travel_um), of(facts.travel_um), of(facts.now), of(facts.increment_mm)
    )


def bounded(
    wish_um: Floats, step_um: Floats, most_um: Floats, travel_um: Floats, now: Floats, increment_mm: Floats
) -> Floats:
    """What `rules.guard.bound` leaves of wishes, in increments: flat arrays of one length."""
    used = np.where(wish_um > 0, travel_um, -travel_um)
    size = np.minimum(np.minimum(np.abs(wish_um), np.maximum(0.0, step_um)), np.maximum(0.0, most_um - used))
    target = now + np.where(wish_um > 0, size, -size) / (increment_mm * 1000)
    new = np.where(wish_um > 0, np.maximum(np.floor(target), now), np.minimum(np.ceil(target), now))
    change = np.where(np.isfinite(new), new - now, 0.0)
    for k in np.flatnonzero(np.abs(target - np.round(target)) < NEAR_GRID):
        if not _is_exact(float(target[k]), float(now[k]), float(increment_mm[k])):
            limits = Limits(step_um=float(step_um[k]), travel_um=float(most_um[k]))
            change[k] = _exactly(float(wish_um[k]), limits, float(travel_um[k]), float(now[k]), float(increment_mm[k]))
    return change


def _is_exact(target: float, now: float, increment_mm: float) -> bool:
    """Sums of whole numbers and halves of a micrometre: nothing was rounded on the way."""
    return target == round(target) and now == round(now) and increment_mm in (0.001, 0.0005)


def _exactly(wish_um: float, limits: Limits, travel_um: float, now: float, increment_mm: float) -> float:
    increment = exact_mm(increment_mm)
    left = bound(exact_mm(now * increment_mm), wish_um, travel_um, increment, limits)
    return float(left.change / increment)


def exact_mm(value: float) -> Decimal:
    """A register's value as the decimal it was printed as: at most nine places."""
    return Decimal(repr(round(value, 9)))


def onward_um(features: Sequence[FeatureOutlook], error_um: float, wear_sign: int) -> list[float]:
    """For each feature that is moved, how far the best step leaves it on the side it wears away from."""
    return [
        (-wear_sign if one.sensitivity > 0 else wear_sign) * (one.own_um - one.sensitivity * error_um)
        for one in features
        if one.sensitivity
    ]
