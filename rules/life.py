"""How long the present wear can still be compensated."""

from dataclasses import dataclass

from rules.evidence import Evidence
from rules.limits import Limits
from rules.outlook import quantile

_INTERVAL = 0.975  # two-sided 95 %, the usual confidence of a stated interval
_FOREVER = 1_000_000  # parts; more than any tool cuts, so no number is named


@dataclass(frozen=True, slots=True)
class PartsLeft:
    """Parts until the travel is used up, with the 95 % interval; `high` is None where no end can be told."""

    parts: int
    low: int
    high: int | None


def wear_is_proven(evidence: Evidence, limits: Limits) -> bool:
    """Whether the error drifts the way a worn tool drifts, with the confidence the limits ask for."""
    drift = evidence.slope_um * evidence.wear_sign
    return evidence.kind == "tool" and drift > 0.0 and drift > quantile(limits.confidence) * evidence.slope_sd_um


def room_um(evidence: Evidence, limits: Limits, direction: float) -> float:
    """Travel left in `direction` (only its sign counts), never negative."""
    used = evidence.travel_um if direction > 0 else -evidence.travel_um
    return max(0.0, limits.travel_um - used)


def parts_left(evidence: Evidence, limits: Limits) -> PartsLeft | None:
    """Travel room over wear per part; None while wear is not proven."""
    if not wear_is_proven(evidence, limits):
        return None
    room = room_um(evidence, limits, -evidence.wear_sign)
    drift = evidence.slope_um * evidence.wear_sign
    spread = quantile(_INTERVAL) * evidence.slope_sd_um
    parts, low = _whole(room, drift), _whole(room, drift + spread)
    if parts is None or low is None:
        return None
    return PartsLeft(parts, low, _whole(room, drift - spread))


def _whole(room: float, drift: float) -> int | None:
    """Whole parts until `room` is used up, or None when that is not in sight."""
    return int(room / drift) if drift * _FOREVER > room else None
