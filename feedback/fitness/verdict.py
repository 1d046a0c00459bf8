"""One thing looked at and what was found, in words. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final, Literal

from feedback.units import LengthUnit, from_mm, plain

Outcome = Literal["passed", "failed", "caution"]
_FINE: Final[dict[LengthUnit, Decimal]] = {"mm": Decimal("0.00001"), "inch": Decimal("0.0000001")}
MOST_DECIMALS: Final = 8  # no certificate and no control states more; what has more was computed


@dataclass(frozen=True, slots=True)
class Verdict:
    """`what` was looked at; `words` say what was found and what was wanted. A caution neither passes nor fails.

    `brief` is what somebody at the machine is told of it, where that is less.
    """

    what: str
    outcome: Outcome
    words: str
    brief: str = ""

    def to_json(self) -> dict[str, Any]:
        return {"what": self.what, "outcome": self.outcome, "words": self.words}


def judged(what: str, is_good: bool, words: str, brief: str = "") -> Verdict:
    """A verdict that passes or fails."""
    return Verdict(what, "passed" if is_good else "failed", words, brief)


def worst(verdicts: Iterable[Verdict]) -> Literal["passed", "failed"]:
    """What all verdicts give together."""
    return "failed" if any(verdict.outcome == "failed" for verdict in verdicts) else "passed"


def shown(value_mm: Decimal, unit: LengthUnit) -> str:
    """A length with its unit; in inches for a machine that counts in them.

    Every digit it was stated with; what was computed, to a hundredth of a micrometre (a tenth of a microinch).
    """
    own = from_mm(value_mm, unit).normalize()
    exponent = own.as_tuple().exponent
    if isinstance(exponent, int) and -exponent > MOST_DECIMALS:
        own = own.quantize(_FINE[unit])
    return f"{plain(own)} {'in' if unit == 'inch' else 'mm'}"
