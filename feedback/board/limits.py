"""The limits in force, each with the reason beside it and where it was stated. Pure."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from feedback.configuration.facts import Configuration
from feedback.configuration.locate import key_lines
from feedback.configuration.words import limit_facts
from feedback.registers import Register

FILE = "limits.toml"
REASONS: Mapping[str, str] = {
    "band": "of the half tolerance: while the predicted error stays inside, leave it alone; correcting noise adds more",
    "aim": "under proven wear, how far past the centre to set, as a share of the band: half as many corrections",
    "step": "most per correction: a fresh mistake stays small",
    "travel": "most in sum over a tool's life: compensation has an end",
    "settle": "parts that must show a change before the next one: else the same error is corrected twice",
    "evidence": "parts behind an estimate: one reading may be a chip, two a coincidence",
    "confidence": "that the error really is outside the band: what only seems to be may be noise",
    "implausible": "further from nominal than any wear: a broken tool, a wrong offset or a wrong unit",
    "expires": "how long a proposal describes the machine",
    "check": "whether the probe must have been checked before anything is proposed",
}
_COMMENT = re.compile(r'^(?:[^"\'#]|"(?:\\.|[^"\\])*"|\'[^\']*\')*#\s*(.*)$')


@dataclass(frozen=True, slots=True)
class Line:
    """One limit of one register: its value, why it is there, and where it was stated."""

    key: str
    value: str
    reason: str
    stated: str


@dataclass(frozen=True, slots=True)
class Table:
    """All limits of the registers that share them, machine by machine."""

    registers: Mapping[str, Sequence[str]]
    lines: Sequence[Line]

    @property
    def title(self) -> str:
        return "; ".join(f"{machine}: {', '.join(names)}" for machine, names in self.registers.items())


def tables(configuration: Configuration) -> list[Table]:
    """The limits in force of every machine; registers with the same ones stand together."""
    text = configuration.texts.get(FILE, "")
    lines = dict(key_lines(text)) if text else {}
    alike: dict[tuple[Line, ...], dict[str, list[str]]] = {}
    for name, register in registers_of(configuration):
        unit = configuration.machines[name].unit
        facts = limit_facts(configuration.limits.for_register(name, register), register, unit)
        key = tuple(_line(key, value, name, register, lines, text) for key, value in facts.items())
        alike.setdefault(key, {}).setdefault(name, []).append(str(register))
    return [Table(registers, shared) for shared, registers in alike.items()]


def registers_of(configuration: Configuration) -> list[tuple[str, Register]]:
    """Every machine's registers that its plans look at."""
    return [(name, register) for name in configuration.machines for register in _registers(configuration, name)]


def _registers(configuration: Configuration, machine: str) -> Iterable[Register]:
    from feedback.configuration.groups import groups  # loads what the first page need not wait for

    return sorted(register for group in groups(configuration, machine) for register in group.registers)


def _line(
    key: str, value: str, machine: str, register: Register, lines: Mapping[tuple[Any, ...], int], text: str
) -> Line:
    """The narrowest table that states the key wins, as it does in force."""
    places = (("register", f"{machine} {register}"), ("kind", register.kind), ("default",))
    for place in places:
        at = lines.get((*place, key))
        if at is not None:
            own = _COMMENT.match(text.splitlines()[at - 1])
            return Line(key, value, own[1] if own else REASONS.get(key, ""), f"{FILE}:{at}")
    return Line(key, value, REASONS.get(key, ""), "shipped")
