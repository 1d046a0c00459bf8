"""What is known about one register when a decision is due: plain numbers, nothing that could move.

Micrometres everywhere (millidegrees for rotary registers). Signs are those of the trade: deviation = actual - nominal;
`sensitivity` is the change of the reading for +1 in the (radius-valued) register.
"""

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

Cause = Literal[
    "none", "wear", "new-edge", "part-moved", "warm-up", "probe", "tool-broken", "outlier", "conflict", "unknown"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class FeatureOutlook:
    """One feature this register moves: where its next reading is expected if nothing is changed."""

    id: str
    name: str
    sensitivity: float
    before_um: float  # predicted deviation from nominal of the next part a correction can reach
    own_um: float  # the share of it that this register answers for, as deviation from the target (centre of tolerance)
    sd_um: float  # standard deviation of own_um
    lower_um: float  # limits of the tolerance, as deviations from nominal
    upper_um: float
    last_um: float | None = None  # deviation of the latest reading; None when this part gave none
    last_was_wild: bool = False  # the filter left it out: one reading far from all others
    u_um: float = 0.0  # standard uncertainty of a reading; 0: not known
    guard_um: float = 0.0  # a reading nearer to a limit proves nothing; 0: not known, or the tolerance is too narrow

    @property
    def target_um(self) -> float:
        """The centre of the tolerance, as deviation from nominal."""
        return (self.lower_um + self.upper_um) / 2

    @property
    def half_um(self) -> float:
        """Half the tolerance."""
        return (self.upper_um - self.lower_um) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything a rule may look at. The same evidence always gives the same decision."""

    register: str
    kind: Literal["tool", "work", "rotary"]
    part: str
    features: tuple[FeatureOutlook, ...]
    slope_um: float = 0.0  # change of the register's error per part
    slope_sd_um: float = 0.0
    parts: int = 0  # parts behind the estimate since set-up, new tool or the last sudden change
    parts_since_change: int | None = None  # parts measured since a change of it was seen; None: never changed
    unproven: str | None = None  # why the last change has not been seen to work yet; None: it has, or none is watched
    now: Decimal | None = None  # what the register holds (mm or deg, radius-valued); None: the log never printed it
    increment: Decimal = Decimal("0.001")  # least increment of the register, mm or deg, radius-valued
    travel_um: float = 0.0  # sum of its changes since set-up or new tool, with sign
    pending: str | None = None  # id of a correction accepted but not yet seen in the log
    rejected: str | None = None  # id of a rejected proposal whose rest time has not passed
    wear_sign: Literal[1, -1] = 1  # of the error that wear gives; -1 where a worn tool needs a bigger value
    new_tool_recorded: bool = False  # a new tool or edge was recorded and its first correction has not been made yet
    growth_released: bool = False  # a person has released corrections in the growing direction
    broken: str | None = None  # why the tool counts as broken, whatever the parts read; None: it does not
    locked: str | None = None  # why a person must release this register first
    moving: str | None = None  # what is moving and not yet understood, in words; None: nothing
    moved_apart: bool = False  # lately features of it moved against each other, or one of them alone, and it did not
    fit_failed: str | None = None  # the fit's own complaint; the estimate then rests on the priors alone
    doubt: str | None = None  # why the measurements themselves are in doubt; None: they are not
    cause: Cause = "none"
    told: str | None = None  # what all readings of the machine together say of it, in words; None: nothing
