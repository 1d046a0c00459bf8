"""Other limits, as an engineer sets them on the page, and the limits.toml they make. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from typing import Any, Final

from feedback.configuration.facts import Configuration
from feedback.configuration.words import limit_facts
from feedback.errors import UsageError
from feedback.registers import Register
from rules.limits import Limits

LONGEST_REASON: Final = 160


@dataclass(frozen=True, slots=True)
class Knob:
    """One limit that can be moved, in its unit of limits.toml."""

    key: str
    words: str
    low: Decimal
    high: Decimal
    by: Decimal
    unit: str  # "" for a count of parts


KNOBS: Final = (
    Knob("band", "band, of the half tolerance", Decimal(5), Decimal(80), Decimal(5), "%"),
    Knob("aim", "aim past the centre, of the band", Decimal(0), Decimal(100), Decimal(10), "%"),
    Knob("step", "most per correction", Decimal("0.001"), Decimal("0.060"), Decimal("0.001"), "mm"),
    Knob("settle", "parts that must show a change", Decimal(1), Decimal(10), Decimal(1), ""),
    Knob("evidence", "parts behind an estimate", Decimal(2), Decimal(20), Decimal(1), ""),
    Knob("confidence", "sure that it is outside the band", Decimal(80), Decimal("99.5"), Decimal("0.5"), "%"),
)


@dataclass(frozen=True, slots=True)
class Scope:
    """What the limits are set for: everything, a kind of register, or one."""

    name: str  # "default", "tool", "work" or "M1 tool 5 radius"
    words: str
    place: tuple[str, ...]
    limits: Limits

    def setting(self, knob: Knob) -> Decimal:
        """What is in force now, as a number of the knob's unit."""
        stated = limit_facts(self.limits, Register("tool 0", "length"))[knob.key]
        return Decimal(stated.split()[0])


def scopes(configuration: Configuration, registers: Sequence[tuple[str, Register]]) -> list[Scope]:
    """Everything that lengths can be limited for, the widest first."""
    table = configuration.limits
    found = [Scope("default", "every register", ("default",), table.default)]
    found += [Scope(kind, f"every {kind} register", ("kind", kind), table.kinds[kind]) for kind in ("tool", "work")]
    for machine, register in registers:
        name = f"{machine} {register}"
        if register.kind != "rotary":
            found.append(Scope(name, name, ("register", name), table.for_register(machine, register)))
    return found


def knobs_of(scope: Scope) -> list[tuple[Knob, Decimal]]:
    """Every knob with what is in force, which lies on its grid: a slider must not move what nobody touched."""
    return [(_around(knob, scope.setting(knob)), scope.setting(knob)) for knob in KNOBS]


def _around(knob: Knob, setting: Decimal) -> Knob:
    steps = (setting - knob.low) // knob.by if setting > knob.low else Decimal(0)
    return replace(knob, low=setting - steps * knob.by, high=max(knob.high, setting))


def changes(query: Mapping[str, str], scope: Scope) -> dict[str, str]:
    """What the query moves away from what is in force, written as limits.toml wants it; UsageError for nonsense."""
    found = {}
    for knob, setting in knobs_of(scope):
        if knob.key in query:
            value = _number(knob, query[knob.key])
            if value != setting:
                found[knob.key] = f"{value:f} {knob.unit}".strip()
    return found


def _number(knob: Knob, text: str) -> Decimal:
    wanted = f"wanted a number from {knob.low} to {knob.high} {knob.unit}".rstrip()
    try:
        value = Decimal(text)
    except InvalidOperation:
        raise UsageError(f"{knob.key}: found {text[:40]!r}; {wanted}") from None
    if not (value.is_finite() and knob.low <= value <= knob.high):
        raise UsageError(f"{knob.key}: found {text[:40]!r}; {wanted}")
    return value.normalize() + 0


def limits_text(text: str, scope: Scope, moved: Mapping[str, str], why: str = "") -> str:
    """`text` (limits.toml, may be empty) with the moved limits, `why` beside them; all else stays."""
    import tomlkit

    document: Any = tomlkit.parse(text)
    table: Any = document
    for depth, name in enumerate(scope.place):
        if name not in table:
            table.add(name, tomlkit.table(is_super_table=depth + 1 < len(scope.place)))
        table = table[name]
    for key, value in moved.items():
        table[key] = int(value) if value.isdigit() else value
        reason = "".join(sign for sign in why if sign.isprintable()).strip()[:LONGEST_REASON]
        if reason:
            table[key].comment(reason)
    return tomlkit.dumps(document)
