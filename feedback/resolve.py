"""Brings together what the log says and what the plans say: readings become measurements of planned features. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import Any, Final, TypeVar

from feedback.configuration.facts import Feature, Machine, Plan
from feedback.configuration.suggest import did_you_mean, listed
from feedback.expansion import expansion
from feedback.reading.quick import unfinished
from feedback.records import Miss, Reading, Record, Unreadable
from feedback.trust import Doubt
from feedback.units import MM_PER_INCH


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement(Record):
    """One reading of a planned feature: `deviation` = actual - nominal, in mm or degrees as the feature's unit says.

    The deviation is that of the part at 20 degC where its temperature and material are known; `actual` stays as read.
    `reading` is what the log said. A measurement with doubts is kept and left out of the trend.
    """

    feature: Feature
    actual: Decimal
    deviation: Decimal
    temperature_c: Decimal | None
    reading: Reading
    doubts: tuple[Doubt, ...] = ()


Known = TypeVar("Known")

_Unfinished: Final = unfinished(Measurement)


def resolve(records: Iterable[Record], plans: Mapping[str, Plan], machine: Machine, text: "Text") -> list[Record]:
    """The records in order, each `Reading` as a `Measurement`, or as `Unreadable` where no plan knows its feature.

    A `Miss` of an unknown feature is unreadable too; every other record passes as it is. Names are compared as written
    first, then without regard to case. `text` is what the records were read from, so that such a line is kept whole.
    """
    directory = _Directory(plans, machine)
    find = directory.found.get
    resolved: list[Record] = []
    for record in records:
        if isinstance(record, Reading | Miss):
            key = (record.plan, record.feature)
            feature = find(key) or directory.find(*key)
            resolved.append(_with_feature(record, feature, text, directory))
        else:
            resolved.append(record)
    return resolved


def _with_feature(record: Reading | Miss, feature: Feature | str, text: "Text", directory: "_Directory") -> Record:
    if isinstance(feature, str):
        return _unreadable(record, feature, text)
    if not isinstance(record, Reading):
        return record
    if directory.knows_temperature or record.temperature_c is not None:
        return _measurement(record, feature, directory.grown(feature, record.temperature_c))
    return _measurement(record, feature, None)


def _measurement(reading: Reading, feature: Feature, grown: Decimal | Doubt | None) -> Measurement:
    """`grown`: how much too big the warm part reads, or why that cannot be told; None: nothing is known of it."""
    actual = reading.actual
    if reading.inch and feature.unit == "deg":
        actual = actual / MM_PER_INCH  # an angle has no inches; exact, for the reader multiplied at most 15 digits
    measurement: Any = _Unfinished()
    measurement.line = reading.line
    measurement.part = reading.part
    measurement.plan = reading.plan
    measurement.at = reading.at
    measurement.feature = feature
    measurement.actual = actual
    deviation = actual - feature.nominal
    measurement.deviation = deviation - grown if isinstance(grown, Decimal) else deviation
    measurement.temperature_c = reading.temperature_c
    measurement.reading = reading
    measurement.doubts = (grown,) if isinstance(grown, Doubt) else ()
    measurement.__class__ = Measurement
    return measurement  # type: ignore[no-any-return]


def _unreadable(record: Reading | Miss, reason: str, text: "Text") -> Unreadable:
    said = text.line(record.line)
    column = max(said.upper().find(record.feature.upper()), 0) + 1
    return Unreadable(
        line=record.line, part=record.part, plan=record.plan, at=record.at, column=column, text=said, reason=reason
    )


@dataclass(frozen=True)
class Text:
    """Whole lines as they were read; `first` is the number of the first of them in its stream."""

    first: int
    raw: bytes

    def line(self, number: int) -> str:
        """One line without its end."""
        return self._lines[number - self.first].decode("latin-1").rstrip("\r")

    @cached_property
    def _lines(self) -> list[bytes]:
        return self.raw.split(b"\n")


class _Directory:
    """Looks features up by the log's words; `found` remembers every answer (a feature, or why there is none)."""

    def __init__(self, plans: Mapping[str, Plan], machine: Machine) -> None:
        self.found: dict[tuple[str | None, str], Feature | str] = {}
        self._plans = {plan.part: plan for plan in plans.values()}
        self._machine = machine
        self.knows_temperature = isinstance(machine.temperature, Decimal)
        self._grown: dict[tuple[str, Decimal | None], Decimal | Doubt] = {}

    def grown(self, feature: Feature, printed_c: Decimal | None) -> Decimal | Doubt:
        """How much too big the feature reads at this temperature; remembered, as most texts print few of them."""
        key = (feature.key, printed_c)
        known = self._grown.get(key)
        if known is None:
            cte = self._plans[feature.plan].cte_per_k
            known = self._grown[key] = expansion(feature, cte, printed_c, self._machine)
        return known

    def find(self, plan_name: str | None, feature_name: str) -> Feature | str:
        plan = self._plan(plan_name)
        answer = plan if isinstance(plan, str) else _feature(plan, feature_name)
        self.found[plan_name, feature_name] = answer
        return answer

    def _plan(self, name: str | None) -> Plan | str:
        known = f"known plans: {listed(sorted(self._plans)) or 'none'}"
        if name is None:
            return f"the part states no plan; wanted PLAN and its name in the PART line; {known}"
        plan = _named(name, self._plans)
        if plan is None:
            return f"found unknown plan {name!r}; {known}{did_you_mean(name, self._plans)}"
        if plan.machines is not None and self._machine.name not in plan.machines:
            return (
                f"plan {plan.part} is not for machine {self._machine.name}; its machines: {listed(plan.machines)};"
                " add the machine to the plan if it cuts this part"
            )
        return plan


def _feature(plan: Plan, name: str) -> Feature | str:
    feature = _named(name, plan.features)
    if feature is not None:
        return feature
    known = f"its features: {listed(plan.features) or 'none'}"
    return f"found unknown feature {name!r} in plan {plan.part}; {known}{did_you_mean(name, plan.features)}"


def _named(name: str, known: Mapping[str, Known]) -> Known | None:
    """The one called `name`; in any case, where that leaves no choice."""
    if name in known:
        return known[name]
    alike = [value for key, value in known.items() if key.lower() == name.lower()]
    return alike[0] if len(alike) == 1 else None
