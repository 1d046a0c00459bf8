"""Broken tools, found on the tool setter: what a tool has lost since it was last measured. Pure.

A tool wears by micrometres between two looks at the setter. One that has lost a fifth of a millimetre is broken, and
one that has gained as much is another tool: either way the next part would be scrap, and a good reading afterwards does
not say what cut in between. So only a recorded new tool, or a person, ends it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from feedback.locks import SETTER_READ
from feedback.registers import Register, tool_register

if TYPE_CHECKING:
    from feedback.series import SetterRow, ToolRow

AXES: Final = ("length", "radius")
_SHORTER: Final = {"length": ("shorter", "longer"), "radius": ("smaller", "bigger")}

Shown = Callable[[Decimal], str]  # a length in mm as the machine's people read it


@dataclass(frozen=True, slots=True)
class _Look:
    """The latest reading of one register of the edge in use."""

    at_us: int
    value: Decimal
    source: str


class SetterWatch:
    """The latest tool-setter reading of every tool's present edge on one machine.

    `break_limit_mm` is how much an edge may have lost since the reading before; `implausible_mm` gives how much, to
    either side, no wear explains for a register. `shown` writes lengths.
    """

    def __init__(self, break_limit_mm: Decimal, implausible_mm: Callable[[Register], Decimal], shown: Shown) -> None:
        self._break_limit_mm = break_limit_mm
        self._implausible_mm = implausible_mm
        self._shown = shown
        self._latest: dict[Register, _Look] = {}

    def new_tool(self, row: "ToolRow") -> bool:
        """A new tool is compared with nothing. False for old news: the tool has been measured since."""
        registers = [tool_register(row.tool, axis) for axis in AXES]
        if any(self._latest[one].at_us > row.at_us for one in registers if one in self._latest):
            return False
        for one in registers:
            self._latest.pop(one, None)
        return True

    def see(self, row: "SetterRow") -> str | None:
        """Why the tool counts as broken after this reading, in words; None where it does not.

        Each reading is held against the one before, whatever became of that. One that arrives late is not compared.
        """
        found = [self._compared(tool_register(row.tool, axis), text, row) for axis, text in _read(row)]
        return next((why for why in found if why is not None), None)

    def _compared(self, register: Register, text: str, row: "SetterRow") -> str | None:
        before, now = self._latest.get(register), _Look(row.at_us, Decimal(text), row.source)
        if before is not None and now.at_us < before.at_us:
            return None
        self._latest[register] = now
        return None if before is None else self._judged(register, before, now)

    def _judged(self, register: Register, before: _Look, now: _Look) -> str | None:
        lost_mm = before.value - now.value
        shorter, longer = _SHORTER[register.axis]
        read = f"{SETTER_READ} {register} {self._shown(now.value)} ({now.source})"
        than = f"than before ({before.source})"
        if lost_mm > self._break_limit_mm:
            over = f"more than break_limit, {self._shown(self._break_limit_mm)}"
            return f"{read}, {self._shown(lost_mm)} {shorter} {than}; {over}: the tool is broken. {_ENDS}"
        if abs(lost_mm) > self._implausible_mm(register):
            word, over = (shorter if lost_mm > 0 else longer), self._shown(self._implausible_mm(register))
            return (
                f"{read}, {self._shown(abs(lost_mm))} {word} {than}, and no new tool was recorded; more than {over} is"
                f" no wear: look which tool stands there. {_ENDS}"
            )
        return None


_ENDS: Final = "A recorded new tool or a release ends this, a good reading does not"


def _read(row: "SetterRow") -> list[tuple[str, str]]:
    return [(axis, text) for axis, text in zip(AXES, (row.length, row.radius), strict=True) if text is not None]
