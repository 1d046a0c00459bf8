"""The numbers of a correction as the register takes them: its unit, radius or diameter, its digits.

Radius-valued millimetres become what the machine's own register holds here and nowhere else.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal

from feedback.configuration.facts import Machine
from feedback.registers import Register
from feedback.registers import register as register_named
from feedback.snippets import fields
from feedback.snippets.correction import Correction, SnippetError
from feedback.snippets.dialect import Dialect, family
from feedback.units import MM_PER_INCH, from_mm, plain

EntryUnit = Literal["mm", "inch", "deg"]

_AXES: Final = "XYZABC"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What is written. `as_diameter` is None for a register that holds neither a radius nor a diameter."""

    unit: EntryUnit
    as_diameter: bool | None
    page_factor: Decimal  # what the offset page shows, divided by what the snippet writes
    fields: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class _Scale:
    """From radius-valued mm (or degrees) to written numbers; `step` is the least increment as written."""

    unit: EntryUnit
    factor: int
    step: Decimal

    def exact(self, value: Decimal) -> Decimal:
        scaled = value * self.factor
        return scaled if self.unit == "deg" else from_mm(scaled, self.unit)

    def places(self, value: Decimal) -> int:
        return max(_places(self.exact(value)), _places(self.step))

    def written(self, value: Decimal, sign: str = "") -> str:
        exact = self.exact(value) + 0  # turns -0 into 0
        return f"{exact:{sign}.{self.places(value)}f}"


def entry(correction: Correction, dialect: Dialect, machine: Machine) -> Entry:
    """The correction in the words of `machine` and `dialect`.

    Raises SnippetError when the dialect cannot express it, or a value is not one the register can hold exactly.
    """
    register = correction.register
    _refuse_first(correction, _contradictions(correction, machine), "nothing was written; propose it again")
    _refuse_first(
        correction, _not_expressible(register, dialect), 'enter it by hand: set dialect = "sheet" for this machine'
    )
    scale = _scale(register, dialect, machine)
    digits = (fault for value in (correction.now, correction.new) for fault in _digit_faults(value, scale, dialect))
    _refuse_first(correction, digits, "check unit and least_increment of the machine and decimals of the dialect")
    return Entry(
        unit=scale.unit,
        as_diameter=_as_diameter(register, dialect, machine),
        page_factor=_page_factor(register, dialect, machine),
        fields={**_numbers(correction, scale), **_names(register, dialect, machine)},
    )


def on_page(register: Register, machine: Machine, **values: Decimal) -> dict[str, str]:
    """The values as the control's offset page shows them, with `unit` and `stored_as` ("radius", "diameter" or "")."""
    doubled = register.axis == "radius" and machine.tool_radius == "diameter"
    unit: EntryUnit = "deg" if register.kind == "rotary" else machine.unit
    scale = _Scale(unit, 2 if doubled else 1, Decimal(0))
    step = scale.exact(machine.increment(register))
    places = _places(step)
    shown = {
        name: f"{scale.exact(value) + 0:.{max(places, _places(scale.exact(value)))}f}" for name, value in values.items()
    }
    return {**shown, "unit": unit, "stored_as": _stored_as(register, machine)}


def _stored_as(register: Register, machine: Machine) -> str:
    if register.axis == "x" and register.kind == "tool":
        return "diameter"
    return machine.tool_radius if register.axis == "radius" else ""


def _refuse_first(correction: Correction, faults: Iterator[str], remedy: str) -> None:
    for fault in faults:
        raise SnippetError(f"{correction.machine} {correction.register}, proposal {correction.id}: {fault}; {remedy}")


def _contradictions(correction: Correction, machine: Machine) -> Iterator[str]:
    if correction.machine != machine.name:
        yield f"found a correction for machine {correction.machine!r}; wanted one for {machine.name!r}"
    if not _is_register(correction.register):
        yield "found a register name that is none"
        return
    if correction.now + correction.change != correction.new:
        yield f"found {correction.now} and {correction.change:+} giving {correction.new}"
    step = machine.increment(correction.register)
    if correction.new % step:
        unit = correction.register.unit
        yield f"found new value {plain(correction.new)} {unit}; wanted whole least increments of {plain(step)} {unit}"


def _is_register(found: Register) -> bool:
    try:
        return register_named(str(found)) == found
    except ValueError:
        return False


def _not_expressible(register: Register, dialect: Dialect) -> Iterator[str]:
    kind = family(register)
    if kind not in dialect.write:
        why = dialect.refuse.get(kind, "it has no form for this kind of register")
        yield f"dialect {dialect.name} cannot write it: {why}"
        return
    used = {name for line in dialect.executed(kind) for name in fields.names(line)}
    if "system" in used and dialect.system(register.owner) is None:
        known = ", ".join(dialect.systems)
        yield f"dialect {dialect.name} has no words for {register.owner}; it knows {known}"
    elif "parameter" in used and _parameter(register, dialect) is None:
        yield f"dialect {dialect.name} does not know where the control keeps {register.owner}"


def _scale(register: Register, dialect: Dialect, machine: Machine) -> _Scale:
    unit: EntryUnit = "deg" if register.kind == "rotary" else machine.unit
    doubled = register.axis == "radius" and _as_diameter(register, dialect, machine)
    scale = _Scale(unit, 2 if doubled else 1, Decimal(0))
    return _Scale(unit, scale.factor, scale.exact(machine.increment(register)))


def _digit_faults(value: Decimal, scale: _Scale, dialect: Dialect) -> Iterator[str]:
    most = dialect.decimals.model_dump()[scale.unit]
    if scale.places(value) > most:
        found = f"{scale.exact(value):.10f}".rstrip("0")
        yield f"found {found} {scale.unit}; dialect {dialect.name} writes at most {most} digits after the point"


def _as_diameter(register: Register, dialect: Dialect, machine: Machine) -> bool | None:
    if register.axis == "x":
        return True  # common practice: turning tools' X wear is diameter-valued, and so is this register throughout
    if register.axis != "radius":
        return None
    return (machine.tool_radius if dialect.radius_word == "as stored" else dialect.radius_word) == "diameter"


def _page_factor(register: Register, dialect: Dialect, machine: Machine) -> Decimal:
    if register.axis != "radius":
        return Decimal(1)
    shown = Decimal(2 if machine.tool_radius == "diameter" else 1)
    return shown / 2 if _as_diameter(register, dialect, machine) else shown


def _numbers(correction: Correction, scale: _Scale) -> dict[str, str]:
    return {
        "now": scale.written(correction.now),
        "new": scale.written(correction.new),
        "change": scale.written(correction.change, sign="+"),
        "half_increment": plain(scale.step / 2),
        "unit": scale.unit,
    }


def _names(register: Register, dialect: Dialect, machine: Machine) -> dict[str, str]:
    names = {
        "register": str(register),
        "stored_as": {None: "", True: " as diameter", False: " as radius"}[_as_diameter(register, dialect, machine)],
        "unit_code": dialect.units.inch if machine.unit == "inch" else dialect.units.mm,
        "mm_per_unit": str(MM_PER_INCH) if machine.unit == "inch" else "1",
    }
    if register.tool is not None:
        return {**names, "tool": str(register.tool)}
    system, parameter = dialect.system(register.owner), _parameter(register, dialect)
    return {**names, "axis": register.axis, "system": system or "", "parameter": str(parameter or "")}


def _parameter(register: Register, dialect: Dialect) -> int | None:
    """The numbered parameter in which the control keeps this work offset; axes follow one another there."""
    first = dialect.parameters.get(register.owner.removeprefix("work "))
    return None if first is None else first + _AXES.index(register.axis)


def _places(value: Decimal) -> int:
    exponent = value.normalize().as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0
