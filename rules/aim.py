"""Setting past the centre under wear."""

from rules.cases import case, feature
from rules.evidence import Evidence, FeatureOutlook
from rules.life import wear_is_proven
from rules.limits import Limits
from rules.outlook import Outlook, outlook
from rules.rule import Rule
from rules.verdicts import Clear, Verdict, Wish
from rules.words import amount, signed

_CENTRE = Clear("aim at the centre: no proven wear to aim against")
_NOT_DUE = Clear("no correction is due, so there is nothing to aim")


class Aim(Rule):
    """Under steady wear, setting past the centre, on the side it wears away from, halves the number of corrections."""

    name = "aim"
    wishes_for = (
        case(slope_um=0.5, slope_sd_um=0.1),
        case(feature(14.0), slope_um=-0.5, slope_sd_um=0.1, wear_sign=-1),
    )
    passes_for = (
        case(slope_um=0.5, slope_sd_um=0.3),
        case(slope_um=-0.5, slope_sd_um=0.1),
        case(slope_um=0.5, slope_sd_um=0.1, register="work 54 Z", kind="work"),
        case(feature(14.0), slope_um=0.5, slope_sd_um=0.1),
        case(feature(-1.0), slope_um=0.5, slope_sd_um=0.1),
        case(slope_um=0.5, slope_sd_um=0.1, limits=Limits(aim=0.0)),
        case(feature(-30.0), feature(-10.0), slope_um=0.5, slope_sd_um=0.1),
    )

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        if not wear_is_proven(evidence, limits):
            return _CENTRE
        seen = outlook(evidence, limits)
        if not (seen.is_outside_band and seen.error_um * evidence.wear_sign > 0.0):
            return _NOT_DUE
        size_um = aim_um(evidence, limits, seen)
        if size_um <= 0.0:
            return Clear("no room to aim past the centre without taking a feature out of its band")
        return Wish(
            -evidence.wear_sign * size_um,
            f"wear of {signed(evidence.slope_um, evidence.kind)} per part is proven: set "
            f"{amount(size_um, evidence.kind)} past the centre, on the side it wears away from",
        )


def aim_um(evidence: Evidence, limits: Limits, seen: Outlook) -> float:
    """How far past the best step to set: a share of the band, less where a feature would leave its own band."""
    rooms = [_room_um(f, evidence, limits, seen) for f in evidence.features if f.sensitivity]
    return max(0.0, min(limits.aim * seen.band_um, *rooms))


def _room_um(feature: FeatureOutlook, evidence: Evidence, limits: Limits, seen: Outlook) -> float:
    """How far the register may go on past the best step until `feature` reaches the far edge of its band."""
    onward = -evidence.wear_sign if feature.sensitivity > 0 else evidence.wear_sign
    after_um = feature.own_um - feature.sensitivity * seen.error_um
    return (limits.band * feature.half_um - onward * after_um) / abs(feature.sensitivity)
