"""What can happen in the shop at one part, and the cause it goes by. Parts count from 0; lengths are micrometres."""

from dataclasses import dataclass, field
from typing import ClassVar

from rules.evidence import Cause


@dataclass(frozen=True, kw_only=True)
class Happening:
    """Something happens just before part `part` is cut."""

    part: int
    cause: ClassVar[Cause] = "none"


@dataclass(frozen=True, kw_only=True)
class NewEdge(Happening):
    """A new tool or edge, bigger than the set-up geometry by this much; negative: smaller.

    Whoever records it (NEWTOOL) also sets the wear registers to zero, as setters do, unless `is_zeroed` says otherwise.
    """

    tool: int
    radius_um: float = 0.0
    length_um: float = 0.0
    is_recorded: bool = True
    is_zeroed: bool | None = None
    cause: ClassVar[Cause] = "new-edge"

    @property
    def zeroes(self) -> bool:
        """Whether the wear registers are set to zero."""
        return self.is_recorded if self.is_zeroed is None else self.is_zeroed


@dataclass(frozen=True, kw_only=True)
class FasterWear(Happening):
    """From here on the edge loses so much more with every part, until it is changed: harder material, less coolant."""

    tool: int
    radius_um: float = 0.0
    length_um: float = 0.0
    cause: ClassVar[Cause] = "wear"


@dataclass(frozen=True, kw_only=True)
class ToolBroken(Happening):
    """The tool loses this much at once; only a new edge ends it."""

    tool: int
    radius_um: float = 500.0
    length_um: float = 2000.0
    cause: ClassVar[Cause] = "tool-broken"


@dataclass(frozen=True, kw_only=True)
class PartMoved(Happening):
    """From here on parts lie elsewhere: shifted, and turned by so many mrad about a point of the coordinate system."""

    x_um: float = 0.0
    y_um: float = 0.0
    z_um: float = 0.0
    turned_mrad: float = 0.0
    about_mm: tuple[float, float] = (0.0, 0.0)
    system: str = "54"
    cause: ClassVar[Cause] = "part-moved"


@dataclass(frozen=True, kw_only=True)
class Chip(Happening):
    """One wild reading: a chip, a burr, a drop of coolant."""

    feature: str
    um: float
    cause: ClassVar[Cause] = "outlier"


@dataclass(frozen=True, kw_only=True)
class Missed(Happening):
    """The probe does not trigger on this feature."""

    feature: str


@dataclass(frozen=True, kw_only=True)
class ProbeStep(Happening):
    """The stored ball radius is from here on too big by this much: the stylus was changed, or hit something."""

    ball_um: float
    cause: ClassVar[Cause] = "probe"


@dataclass(frozen=True, kw_only=True)
class ProbeDrift(Happening):
    """The stored ball radius becomes more and more wrong, by this much a part."""

    ball_um: float
    cause: ClassVar[Cause] = "probe"


@dataclass(frozen=True, kw_only=True)
class Pause(Happening):
    """The machine stands for so many hours, and cools down."""

    hours: float
    cause: ClassVar[Cause] = "warm-up"


@dataclass(frozen=True, kw_only=True)
class Reprogrammed(Happening):
    """One feature comes out elsewhere from here on: its path was edited, or it deflects more than before."""

    feature: str
    um: float
    cause: ClassVar[Cause] = "conflict"


@dataclass(frozen=True, kw_only=True)
class HandChange(Happening):
    """Somebody changes a register by this much (radius-valued) without a proposal; in steps the register can hold."""

    register: str
    um: float


@dataclass(frozen=True, kw_only=True)
class WrongOffset(HandChange):
    """Likewise by mistake, and far."""

    cause: ClassVar[Cause] = "tool-broken"


@dataclass(frozen=True, kw_only=True)
class WrongUnit(Happening):
    """So many parts are printed in the machine's other unit, without a word about it."""

    parts: int = 1
    cause: ClassVar[Cause] = "tool-broken"


@dataclass(frozen=True, kw_only=True)
class Entered(Happening):
    """A value that somebody keyed in takes effect with this part: radius-valued mm, as proposals state them.

    `deed` is what really happened to the one that was asked for.
    """

    register: str
    value_mm: float
    deed: str = field(default="entered")
