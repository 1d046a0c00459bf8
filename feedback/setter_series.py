"""Turns tool-setter readings into readings of the trend. Pure.

The setter measures the tool itself: T, up to a constant. The register's error is e = register - what it should be,
and a tool that loses 10 um needs a register 10 um lower: e = register - T + constant. So

    y = (T - T at the edge's first reading) - (register now - register then)

moves by -1 for +1 in e, as a reading of a part would, and has a constant of its own that every new tool begins anew.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from feedback.registers import Register

if TYPE_CHECKING:
    from feedback.follow import SetterSeen

UM_PER_MM = 1000


@dataclass(slots=True)
class _Edge:
    """One register of the edge in use."""

    first: Decimal | None = None
    latest: Decimal | None = None
    is_news: bool = False  # the latest reading has not been given to the trend yet
    moved_um: float = 0.0  # the register, since the edge's first part


class SetterSeries:
    """The setter's readings of one group's tools, for the part that comes next.

    Of several looks at a tool between two parts the last counts. One that differs from the look before by more than
    `break_limit_mm` is another matter than wear and is left out. `snapshot()`, handed to the constructor, carries the
    series over a restart.
    """

    def __init__(
        self, registers: Sequence[Register], break_limit_mm: Decimal, snapshot: Mapping[str, Any] | None = None
    ) -> None:
        self.registers = tuple(registers)
        self._break_limit_mm = break_limit_mm
        kept = snapshot or {}
        self._edges = {one: _edge(kept.get(str(one))) for one in self.registers}

    def see(self, seen: "SetterSeen") -> None:
        """The setter measured a tool."""
        for register, edge in self._edges.items():
            value = seen.length if register.axis == "length" else seen.radius
            if register.tool == seen.tool and value is not None:
                self._take(edge, value)

    def _take(self, edge: _Edge, value: Decimal) -> None:
        if edge.latest is not None and abs(value - edge.latest) > self._break_limit_mm:
            return
        edge.first = value if edge.first is None else edge.first
        edge.latest, edge.is_news = value, True

    def new_tool(self, tool: int) -> None:
        """What was measured of the tool before says nothing about this one."""
        for register in self.registers:
            if register.tool == tool:
                self._edges[register] = _Edge()

    def readings(self, moved_um: Mapping[Register, float]) -> tuple[float, ...]:
        """What the next part's row says of every register, um; nan where nothing new was measured.

        `moved_um` are the register changes that enter the trend with that row.
        """
        return tuple([self._reading(edge, moved_um.get(register, 0.0)) for register, edge in self._edges.items()])

    def _reading(self, edge: _Edge, moved_um: float) -> float:
        edge.moved_um += moved_um
        if not edge.is_news or edge.latest is None or edge.first is None:
            return math.nan
        edge.is_news = False
        return float(edge.latest - edge.first) * UM_PER_MM - edge.moved_um

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on later, as JSON-able values."""
        return {
            str(register): [_text(edge.first), _text(edge.latest), edge.is_news, edge.moved_um]
            for register, edge in self._edges.items()
        }


def _edge(kept: Sequence[Any] | None) -> _Edge:
    if kept is None:
        return _Edge()
    first, latest, is_news, moved_um = kept
    return _Edge(_exact(first), _exact(latest), is_news, moved_um)


def _text(value: Decimal | None) -> str | None:
    return None if value is None else str(value)


def _exact(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)
