"""Names of the registers a correction can move (domain: work offsets and tool wear)."""

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from feedback.units import Unit

RegisterKind = Literal["tool", "work", "rotary"]

_TOOL = re.compile(r"tool (\d+) (length|radius|x|z)", re.IGNORECASE)
_WORK = re.compile(r"work (5[4-9](?:\.\d+)?)(?: P(\d+))? ([XYZABC])", re.IGNORECASE)

WANTED = 'wanted "tool 5 radius", "tool 5 length", "tool 5 x", "tool 5 z", "work 54 X" or "work 54.1 P3 Z"'


@dataclass(frozen=True, slots=True, order=True)
class Register:
    """One register of one machine, by its trade name; equal names are equal registers.

    `owner` is the tool ("tool 5") or the coordinate system ("work 54", "work 54.1 P3"); `axis` is what of it.
    """

    owner: str
    axis: str

    def __str__(self) -> str:
        return f"{self.owner} {self.axis}"

    @property
    def kind(self) -> RegisterKind:
        if self.owner.startswith("tool"):
            return "tool"
        return "rotary" if self.axis in "ABC" else "work"

    @property
    def unit(self) -> Unit:
        return "deg" if self.kind == "rotary" else "mm"

    @property
    def tool(self) -> int | None:
        """The tool's number, or None for a work offset."""
        return int(self.owner.removeprefix("tool ")) if self.kind == "tool" else None

    @property
    def is_on_setter(self) -> bool:
        """Whether a tool setter measures what the register corrects: length and radius of a tool that turns."""
        return self.kind == "tool" and self.axis in ("length", "radius")


def tool_register(tool: int, axis: str) -> Register:
    return Register(f"tool {tool}", axis)


def work_register(system: str, axis: str) -> Register:
    """`system` as in "54" or "54.1 P3"."""
    return Register(f"work {system}", axis)


@lru_cache(maxsize=4096)
def register(name: str) -> Register:
    """The register called `name` in any case; ValueError says what was wanted."""
    words = " ".join(name.split())
    if match := _TOOL.fullmatch(words):
        return tool_register(int(match[1]), match[2].lower())
    if match := _WORK.fullmatch(words):
        system = match[1] if match[2] is None else f"{match[1]} P{int(match[2])}"
        return work_register(system, match[3].upper())
    raise ValueError(f"found {name!r}; {WANTED}")
