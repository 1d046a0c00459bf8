"""The end of compensation."""

from decimal import Decimal

from rules.cases import case, feature
from rules.evidence import Evidence
from rules.life import parts_left, room_um
from rules.limits import Limits
from rules.outlook import outlook
from rules.rule import Rule
from rules.verdicts import Clear, Hold, Verdict
from rules.words import amount, remedy, signed


class Travel(Rule):
    """Compensation has an end: past a certain sum the tool or the clamping is at fault, not the register."""

    name = "travel"
    holds_for = (
        case(travel_um=-150.0),
        case(travel_um=-149.5),
        case(travel_um=-200.0),
        case(travel_um=150.0, register="work 54 X", kind="work", features=(feature(14.0),)),
    )
    passes_for = (
        case(travel_um=-149.0),
        case(travel_um=150.0),
        case(feature(0.0), travel_um=-150.0),
        case(travel_um=-149.5, increment=Decimal("0.0005")),
        case(slope_um=0.5, slope_sd_um=0.1),
        case(slope_um=0.5, slope_sd_um=0.4, limits=Limits(confidence=0.5)),
    )

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        seen = outlook(evidence, limits)
        left_um = room_um(evidence, limits, -seen.error_um)
        if seen.is_outside_band and left_um < float(evidence.increment) * 1000:
            return Hold(
                f"the travel {signed(evidence.travel_um, evidence.kind)} has reached its limit "
                f"{amount(limits.travel_um, evidence.kind)}: {remedy(evidence)}"
            )
        return Clear(f"{amount(left_um, evidence.kind)} of travel left{_parts(evidence, limits)}")


def _parts(evidence: Evidence, limits: Limits) -> str:
    left = parts_left(evidence, limits)
    if left is None:
        return ""
    upto = "no end in sight" if left.high is None else f"{left.high}"
    return f", about {left.parts} parts at the present wear (95 %: {left.low} to {upto})"
