"""What a rule may answer and what comes out of all answers together. Silence means no."""

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

Answer = Literal["leave", "wait", "correct", "hold", "stop"]


@dataclass(frozen=True, slots=True)
class Wish:
    """This register should move by `change_um` (whatever the limits later leave of it)."""

    change_um: float
    words: str


@dataclass(frozen=True, slots=True)
class Clear:
    """Nothing against a correction from this rule, and no wish either."""

    words: str


@dataclass(frozen=True, slots=True)
class Wait:
    """Something is moving; the evidence is short."""

    words: str


@dataclass(frozen=True, slots=True)
class Hold:
    """A correction would be due but must not be made yet; the words say what is missing."""

    words: str


@dataclass(frozen=True, slots=True)
class Stop:
    """A person must look before the next part."""

    words: str


Verdict = Wish | Clear | Wait | Hold | Stop

VERDICT_WORD = {Wish: "wish", Clear: "clear", Wait: "wait", Hold: "hold", Stop: "stop"}


@dataclass(frozen=True, slots=True)
class Reason:
    """One rule's answer as shown and kept: `verdict` is wish, clear, wait, hold, stop, or the guard's cut / whole."""

    rule: str
    verdict: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FeatureForecast:
    """What a step would do to one feature: deviations from nominal before and after, and its limits."""

    id: str
    before_um: float
    after_um: float
    lower_um: float
    upper_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The bounded correction. `change` is exact and `new` = `now` + `change` lies on the register's grid."""

    now: Decimal
    change: Decimal
    new: Decimal
    was_cut: bool
    forecasts: tuple[FeatureForecast, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One register's answer, with every rule's verdict in order.

    `step` is there where a correction is due: always with the answer correct, and with a stop that it may cure.
    """

    register: str
    part: str
    answer: Answer
    error_um: float  # moving the register by its negative brings the readings to target
    sd_um: float
    reasons: tuple[Reason, ...]
    step: Step | None = None
    parts_left: int | None = None  # until the travel is used up at the present wear; None: no proven wear
    parts_left_low: int | None = None
    parts_left_high: int | None = None
