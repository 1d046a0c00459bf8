"""Turns limits.toml into the limits in force for each register: narrower tables inherit from wider ones."""

from collections.abc import Collection, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any, Final

from feedback.configuration.facts import LIKELIHOOD, LimitTable
from feedback.configuration.faults import Report, checked
from feedback.configuration.locate import Place
from feedback.configuration.models import AngleLimits, DefaultLimits, LengthLimits, LimitsFile
from feedback.configuration.suggest import did_you_mean, listed
from feedback.configuration.words import PER_UNIT
from feedback.registers import Register, RegisterKind, register
from rules.limits import Limits

KINDS: Final[tuple[RegisterKind, ...]] = ("tool", "work", "rotary")

_IN_MICROMETRES: Final = {"step": "step_um", "travel": "travel_um", "implausible": "implausible_um"}
_AS_STATED: Final = ("band", "aim", "settle", "evidence", "confidence")


def limit_table(
    document: Mapping[str, Any],
    moved: Mapping[str, Collection[Register]] | None,
    report: Report,
    *,
    plans_are_good: bool = True,
) -> LimitTable:
    """The limits written in `document` over the shipped ones; `moved` are the registers each machine's plans move.

    An unknown machine is only a fault when the machines are known, an unknown register when all plans could be read.
    """
    file = checked(document, LimitsFile, (), report) or LimitsFile()
    wide = _narrowed(Limits(), file.default, DefaultLimits, ("default",), report)
    kinds: dict[str, Limits] = {kind: _kind_limits(kind, wide, file.kind.get(kind, {}), report) for kind in KINDS}
    for kind in file.kind:
        if kind not in KINDS:
            report(("kind", kind), f"found {kind!r}; wanted {' or '.join(KINDS)}{did_you_mean(kind, KINDS)}")
    registers = {}
    for name, table in file.registers.items():
        place = ("register", name)
        key = _machine_register(name, moved, plans_are_good, place, report)
        if key is not None:
            shape = AngleLimits if key[1].kind == "rotary" else LengthLimits
            if key in registers:
                report(place, f"found {name!r} a second time; wanted one table for each register")
            registers[key] = _narrowed(kinds[key[1].kind], table, shape, place, report)
    named = checked(file.default, DefaultLimits, ("default",), report)
    likelihood = LIKELIHOOD if named is None or named.likelihood is None else named.likelihood
    return LimitTable(default=wide, kinds=kinds, registers=registers, likelihood=likelihood)


def _kind_limits(kind: RegisterKind, wide: Limits, table: object, report: Report) -> Limits:
    if kind == "rotary":
        # In millidegrees: 10 of them move a point 100 mm from the axis by 17 um, about as much as a length step.
        wide = replace(wide, step_um=10.0, travel_um=100.0, implausible_um=1000.0)
        return _narrowed(wide, table, AngleLimits, ("kind", kind), report)
    return _narrowed(wide, table, LengthLimits, ("kind", kind), report)


def _narrowed(
    wide: Limits, table: object, shape: type[LengthLimits] | type[AngleLimits], place: Place, report: Report
) -> Limits:
    """`wide` with what `table` states; unchanged when the table is at fault."""
    stated = checked(table, shape, place, report)
    if stated is None:
        return wide
    limits = replace(wide, **_changes(stated))
    _check_step(limits, stated, place, report)
    return limits


def _changes(stated: LengthLimits | AngleLimits) -> dict[str, Any]:
    changes: dict[str, Any] = {key: getattr(stated, key) for key in _AS_STATED if getattr(stated, key) is not None}
    for key, name in _IN_MICROMETRES.items():
        length = getattr(stated, key)
        if length is not None:
            changes[name] = float(length.value * PER_UNIT)
    if stated.check is not None:
        changes["check_required"] = stated.check == "required"
    if stated.expires is not None:
        in_parts = stated.expires.kind == "parts"
        changes["expires_parts"] = int(stated.expires.value) if in_parts else None
        changes["expires_s"] = None if in_parts else float(stated.expires.value)
    return changes


def _check_step(limits: Limits, stated: LengthLimits | AngleLimits, place: Place, report: Report) -> None:
    key = "step" if stated.step is not None else "travel"
    if getattr(stated, key) is not None and limits.step_um > limits.travel_um:
        unit = "deg" if isinstance(stated, AngleLimits) else "mm"
        step, travel = (Decimal(repr(value)) / PER_UNIT for value in (limits.step_um, limits.travel_um))
        report(
            (*place, key),
            f"one step of {step.normalize():f} {unit} is more than the whole travel of {travel.normalize():f} {unit};"
            " wanted a step no larger than the travel",
        )


def _machine_register(
    name: str, moved: Mapping[str, Collection[Register]] | None, plans_are_good: bool, place: Place, report: Report
) -> tuple[str, Register] | None:
    machine, _, rest = name.strip().partition(" ")
    if moved is None:
        moved, plans_are_good = {machine: ()}, False
    if machine not in moved:
        names = [f"{known} {rest}" for known in moved]
        report(place, f"found machine {machine!r}; wanted one of {listed(moved)}{did_you_mean(name, names)}")
        return None
    try:
        found = register(rest)
    except ValueError as error:
        names = [f"{machine} {known}" for known in moved[machine]]
        report(place, f"{error}, after the machine's name{did_you_mean(name, names)}")
        return None
    if plans_are_good and found not in moved[machine]:
        known = sorted(moved[machine])
        hint = did_you_mean(str(found), map(str, known))
        wanted = f"wanted one of {listed(map(str, known))}" if known else "the plans move no register of this machine"
        report(place, f"no feature of the plans for {machine} moves {found}; {wanted}{hint}")
    return machine, found
