"""Sudden changes that several tools show at once: no tool of its own explains them. Pure.

One edge changes alone. When registers of different owners (two tools, a tool and a coordinate system) jump within a few
parts of each other, something common moved them: the probe, the machine, the program. A probe that reads every size
wrong shows as the same jump in every tool's radius, whatever is inside and whatever outside (a ball believed too small
by d makes bores read 2 d smaller and bosses 2 d bigger, and both ask for the same radius), and moves a datum that is a
single face by as much; lengths stay.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from feedback.registers import Register
from rules.evidence import Cause

TOGETHER_PARTS = 5  # parts of the machine within which two jumps are one event; not every part has every feature
ALIKE_UM = 2.0  # two tools' jumps that differ by less, or by less than a quarter, are the same size
ALIKE_SHARE = 0.25
_TOGETHER = "changed together"
_AS_THE_PROBE = "That is how a probe that reads all sizes wrong looks"


@dataclass(frozen=True, slots=True)
class Jump:
    """A sudden change of one register, recognised at the machine's part number `number`, called `part`."""

    register: Register
    number: int
    part: str
    size_um: float

    def __str__(self) -> str:
        unit = "um" if self.register.unit == "mm" else "mdeg"
        return f"{self.register} by {self.size_um:+.1f} {unit} at part {self.part}"


@dataclass(slots=True)
class _NewTool:
    """A tool on record, what had jumped before it, and the `since` that was first asked with it."""

    known: frozenset[Jump]
    since: int | None = None

    def is_news(self, since: int) -> bool:
        """Whether hardly any part has been cut with it."""
        self.since = since if self.since is None else self.since
        return since - self.since <= TOGETHER_PARTS


class Jumps:
    """The latest sudden change of every register of one machine."""

    def __init__(self) -> None:
        self._latest: dict[Register, Jump] = {}
        self._told: set[Jump] = set()
        self._new_tools: dict[int, _NewTool] = {}
        self._told_new: set[Register] = set()

    def add(self, jumps: Iterable[Jump]) -> None:
        """Take what was recognised, in any order."""
        for jump in jumps:
            known = self._latest.get(jump.register)
            if known is None or known.number <= jump.number:
                self._latest[jump.register] = jump

    def forget_tool(self, tool: int) -> None:
        """A recorded new tool explains its own jump, unless everything else jumps at the same time."""
        self._latest = {register: jump for register, jump in self._latest.items() if register.tool != tool}
        self._new_tools[tool] = _NewTool(frozenset(self._latest.values()))
        self._told_new = {register for register in self._told_new if register.tool != tool}

    def shared_by(self, register: Register, since: int) -> str | None:
        """Words for what the latest sudden change of `register` shares with others'.

        None where it stands alone, is older than part number `since`, or has been told already.
        """
        return self._shared_by_new_tool(register, since) or self._shared_by_jump(register, since)

    def _shared_by_new_tool(self, register: Register, since: int) -> str | None:
        """A new tool's first sizes are taken as they come: what moved everything else just then would hide in them."""
        new = None if register.tool is None else self._new_tools.get(register.tool)
        if new is None or register in self._told_new or not new.is_news(since):
            return None
        others = [jump for jump in self._latest.values() if jump.register.tool != register.tool]
        others = [jump for jump in others if jump not in new.known]
        if not _has_company(others):
            return None
        self._told_new.add(register)
        together = "; ".join(str(jump) for jump in others)
        return (
            f"{_TOGETHER}: {together}; and a new tool {register.tool} was recorded just then. Its sizes may show the"
            " same: find out what moved before correcting"
        )

    def _shared_by_jump(self, register: Register, since: int) -> str | None:
        own = self._latest.get(register)
        if own is None or own.number < since or own in self._told:
            return None
        others = [jump for jump in self._latest.values() if _is_together(own, jump)]
        if not others:
            return None
        together = "; ".join(str(jump) for jump in (own, *others))
        self._told.add(own)
        if _looks_like_the_probe([own, *others]):
            return (
                f"{_TOGETHER} and alike: {together}. {_AS_THE_PROBE}: check it on a certified artefact and correct"
                " nothing by it"
            )
        return f"{_TOGETHER}: {together}. One tool does not explain that: find out what moved before correcting"


def cause_told(why: str) -> Cause | None:
    """The cause that words of `Jumps.shared_by` speak of; None for any other reason to lock a register."""
    if not why.startswith(_TOGETHER):
        return None
    return "probe" if _AS_THE_PROBE in why else "unknown"


def _has_company(jumps: Sequence[Jump]) -> bool:
    return any(_is_together(one, other) for one in jumps for other in jumps)


def _is_together(own: Jump, other: Jump) -> bool:
    return other.register.owner != own.register.owner and abs(other.number - own.number) <= TOGETHER_PARTS


def _looks_like_the_probe(jumps: Sequence[Jump]) -> bool:
    """Radii of two tools or more by the same, single faces of a datum by as much to either side, no length."""
    radii = [jump for jump in jumps if jump.register.axis == "radius"]
    faces = [jump for jump in jumps if jump.register.kind == "work" and jump.register.axis in "XY"]
    if len({jump.register.owner for jump in radii}) < 2 or len(radii) + len(faces) < len(jumps):
        return False
    size_um = radii[0].size_um
    return all(_alike(jump.size_um, size_um) for jump in radii) and all(
        _alike(abs(jump.size_um), abs(size_um)) for jump in faces
    )


def _alike(one_um: float, other_um: float) -> bool:
    return abs(one_um - other_um) <= max(ALIKE_UM, ALIKE_SHARE * max(abs(one_um), abs(other_um)))
