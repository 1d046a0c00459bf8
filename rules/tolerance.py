"""Parts out of tolerance."""

from rules.cases import case, feature
from rules.evidence import Evidence, FeatureOutlook
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Stop, Verdict
from rules.words import amount, feature_name, signed

_CLEAR = Clear("every reading of this part is inside its limits")


class Tolerance(Rule):
    """A part out of tolerance stops the run for a person to inspect, whatever the trend says."""

    name = "tolerance"
    ends_proposals = False  # the correction that is waiting may be the very cure
    holds_for = (
        case(feature(last_um=21.1)),
        case(feature(last_um=-0.1)),
        case(feature(last_um=40.0, last_was_wild=True)),
        case(feature(), feature(last_um=-3.0)),
    )
    passes_for = (case(feature(last_um=21.0)), case(feature(last_um=0.0)), case(feature(last_um=None)))

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        for seen in evidence.features:
            if seen.last_um is not None and not seen.lower_um <= seen.last_um <= seen.upper_um:
                return Stop(_outside(seen, seen.last_um, evidence.kind))
        return _CLEAR


def _outside(seen: FeatureOutlook, last_um: float, kind: str) -> str:
    over = last_um > seen.upper_um
    limit_um, side = (seen.upper_um, "above its upper") if over else (seen.lower_um, "below its lower")
    found = (
        f"feature {feature_name(seen)} reads {signed(last_um, kind)}, {amount(abs(last_um - limit_um), kind)} {side} "
        f"limit {signed(limit_um, kind)}"
    )
    if seen.last_was_wild:
        return f"{found}; it is far from all other readings: clean and probe again first"
    return f"{found}: inspect the part before the next one is cut"
