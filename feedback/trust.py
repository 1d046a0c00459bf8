"""Reasons not to believe a reading that come from the reading itself and from what arrived before it. Pure.

In order:
1. the nominal the log states is not the plan's: another program ran, or the log is in another unit;
2. the tool the log states is not the plan's;
3. the reading's time lies in the future: the control's clock is wrong;
4. the clock went back within one log: the order of its parts is in doubt. (Another log with earlier times has only
   arrived late; its parts are put where they belong);
5. the same reading was delivered before.
A doubted reading is kept, marked; it is left out of the trend. "Now" is always given.
"""

from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from feedback.units import MM_PER_INCH, plain

if TYPE_CHECKING:
    from feedback.records import Record
    from feedback.resolve import Measurement

# Rounding of a printed nominal: half of 0.0001 inch is 0.00127 mm, half of 0.001 deg is less.
NOMINAL_ROUNDING: Final = Decimal("0.002")
UNIT_FIT: Final = Decimal("0.001")  # share by which a factor of 25.4 may be missed through rounding
CLOCK_SLACK: Final = timedelta(minutes=10)  # controls' clocks are set by hand (common practice)
# The repeated hour in autumn reads an hour early on its second pass; its parts are ordered by time like any others.
BACK_SLACK: Final = timedelta(hours=1) + CLOCK_SLACK

# Part, feature key, stated time and value of one reading: what makes two deliveries on one machine the same.
Delivery = tuple[str | None, str, datetime | None, Decimal]


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a reading is not believed: the check's name and the words for a person."""

    check: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """What is known when a reading arrives."""

    now: datetime
    latest: datetime | None = None  # time of the latest reading so far in the same log
    delivered: Container[Delivery] = frozenset()


Check = Callable[["Measurement", Before], Doubt | None]


def delivery(measurement: "Measurement") -> Delivery:
    """What identifies a reading on its machine."""
    return measurement.part, measurement.feature.key, measurement.at, measurement.actual


def nominal_is_the_plans(measurement: "Measurement", _before: Before) -> Doubt | None:
    stated, feature = measurement.reading.nominal, measurement.feature
    if stated is None:
        return None
    if feature.unit == "deg" and measurement.reading.inch:
        stated = stated / MM_PER_INCH
    if abs(stated - feature.nominal) <= NOMINAL_ROUNDING:
        return None
    unit = feature.unit
    return Doubt(
        "nominal",
        f"the log states nominal {plain(stated)} {unit} for feature {feature.id}, plan {feature.plan} says"
        f" {plain(feature.nominal)} {unit}: {_unit_guess(stated, feature.nominal)}",
    )


def tool_is_the_plans(measurement: "Measurement", _before: Before) -> Doubt | None:
    stated, planned = measurement.reading.tool, measurement.feature.tool
    if stated is None or planned is None or stated == planned:
        return None
    feature = measurement.feature
    return Doubt(
        "tool",
        f"the log states tool {stated}, plan {feature.plan} says tool {planned} for feature {feature.id}:"
        " check which of them cuts it",
    )


def time_is_not_in_the_future(measurement: "Measurement", before: Before) -> Doubt | None:
    at = measurement.at
    if at is None or at <= before.now + CLOCK_SLACK:
        return None
    words = f"the log's time {_clock(at)} is later than now, {_clock(before.now)}: check the control's clock"
    return Doubt("future", words)


def clock_goes_forward(measurement: "Measurement", before: Before) -> Doubt | None:
    at = measurement.at
    if at is None or before.latest is None or at >= before.latest - BACK_SLACK:
        return None
    return Doubt(
        "clock-went-back",
        f"the log's time {_clock(at)} is earlier than what stands before it, {_clock(before.latest)}:"
        " the control's clock was put back",
    )


def not_delivered_before(measurement: "Measurement", before: Before) -> Doubt | None:
    if measurement.at is None or delivery(measurement) not in before.delivered:
        return None  # without a time, the same part number and value may well come again
    return Doubt(
        "delivered-before",
        f"part {measurement.part} feature {measurement.feature.id} with this time and value was delivered before",
    )


TRUST_CHECKS: Final[tuple[Check, ...]] = (
    nominal_is_the_plans,
    tool_is_the_plans,
    time_is_not_in_the_future,
    clock_goes_forward,
    not_delivered_before,
)


def doubts(measurement: "Measurement", before: Before) -> tuple[Doubt, ...]:
    """Every reason not to believe this reading, in check order; empty means believed."""
    if _is_plain(measurement, before):
        return ()
    found = [check(measurement, before) for check in TRUST_CHECKS]
    return tuple(doubt for doubt in found if doubt is not None)


def _is_plain(measurement: "Measurement", before: Before) -> bool:
    """Nothing is stated that could contradict the plan, the time is in order, and it is news: no check has a say.

    Nearly every reading is plain; a backlog has a million of them.
    """
    reading, at = measurement.reading, measurement.at
    if reading.nominal is not None or reading.tool is not None:
        return False
    if at is None:
        return True
    in_order = at <= before.now and (before.latest is None or at >= before.latest)
    return in_order and delivery(measurement) not in before.delivered


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked:
    """Records with their doubts, and what to remember of them: the latest time, the readings delivered."""

    records: "list[Record]"
    latest: datetime | None
    delivered: frozenset[Delivery]


def marked(records: "Iterable[Record]", before: Before) -> Marked:
    """The records of one log in its own order, with every measurement's doubts added.

    A time in the future does not move the latest time: one wrong clock would cast doubt on all that follows.
    """
    from feedback.resolve import Measurement

    fresh: set[Delivery] = set()
    known = replace(before, delivered=_Either(before.delivered, fresh))
    out: list[Record] = []
    for record in records:
        if isinstance(record, Measurement):
            found = doubts(record, known)
            fresh.add(delivery(record))
            if _moves_the_clock(record, found, known.latest):
                known = replace(known, latest=record.at)
            record = replace(record, doubts=record.doubts + found) if found else record
        out.append(record)
    return Marked(records=out, latest=known.latest, delivered=frozenset(fresh))


@dataclass(frozen=True, slots=True)
class _Either:
    """Both sets of deliveries, without copying the long one."""

    earlier: Container[Delivery]
    fresh: Container[Delivery]

    def __contains__(self, key: object) -> bool:
        return key in self.fresh or key in self.earlier


def _moves_the_clock(measurement: "Measurement", found: tuple[Doubt, ...], latest: datetime | None) -> bool:
    at = measurement.at
    if at is None or (latest is not None and at <= latest):
        return False
    return all(doubt.check != "future" for doubt in found)


def _unit_guess(stated: Decimal, planned: Decimal) -> str:
    for factor in (MM_PER_INCH, 1 / MM_PER_INCH):
        if planned and abs(stated / (planned * factor) - 1) <= UNIT_FIT:
            return "they differ by the factor 25.4, so mm and inch are mixed up; check the machine's unit"
    return "another program ran, or the plan is not the part's"


def _clock(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M:%S %Z}"
