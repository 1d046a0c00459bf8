"""Parts out of tolerance, and parts that cannot be shown to be in it."""

from rules.cases import case, feature
from rules.evidence import Evidence, FeatureOutlook
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Stop, Verdict
from rules.words import amount, feature_name, signed

_CLEAR = Clear("every reading of this part is inside its limits")
_INSPECT = "inspect the part before the next one is cut"


class Tolerance(Rule):
    """A part out of tolerance stops the run for a person to inspect, whatever the trend says.

    Where the uncertainty of the reading is known, so does one nearer to a limit than its guard band (ISO 14253-1): it
    may be good or bad, and the probe cannot tell. A tolerance so narrow that no reading proves it good keeps its bare
    limits.
    """

    name = "tolerance"
    ends_proposals = False  # the correction that is waiting may be the very cure
    holds_for = (
        case(feature(last_um=21.1)),
        case(feature(last_um=-0.1)),
        case(feature(last_um=40.0, last_was_wild=True)),
        case(feature(), feature(last_um=-3.0)),
        case(feature(last_um=19.5, u_um=1.0, guard_um=1.6)),
        case(feature(last_um=22.0, u_um=1.0, guard_um=1.6)),
    )
    passes_for = (
        case(feature(last_um=21.0)),
        case(feature(last_um=0.0)),
        case(feature(last_um=None)),
        case(feature(last_um=19.4, u_um=1.0, guard_um=1.6)),
        case(feature(last_um=20.9, u_um=6.0)),
    )

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        for seen in evidence.features:
            if seen.last_um is None:
                continue
            if not seen.lower_um <= seen.last_um <= seen.upper_um:
                return Stop(_outside(seen, seen.last_um, evidence.kind))
        for seen in evidence.features:
            last_um = seen.last_um
            if last_um is not None and not seen.lower_um + seen.guard_um <= last_um <= seen.upper_um - seen.guard_um:
                return Stop(_unproved(seen, last_um, evidence.kind))
        return _CLEAR


def _outside(seen: FeatureOutlook, last_um: float, kind: str) -> str:
    over = last_um > seen.upper_um
    limit_um, side = (seen.upper_um, "above its upper") if over else (seen.lower_um, "below its lower")
    beyond_um = abs(last_um - limit_um)
    found = (
        f"feature {feature_name(seen)} reads {signed(last_um, kind)}, {amount(beyond_um, kind)} {side} "
        f"limit {signed(limit_um, kind)}"
    )
    if seen.last_was_wild:
        return f"{found}; it is far from all other readings: clean and probe again first"
    if beyond_um < seen.guard_um:
        return f"{found}, within the guard band of {amount(seen.guard_um, kind)}: it may still be good; {_INSPECT}"
    return f"{found}: {_INSPECT}"


def _unproved(seen: FeatureOutlook, last_um: float, kind: str) -> str:
    over = last_um > seen.target_um
    limit_um, side = (seen.upper_um, "upper") if over else (seen.lower_um, "lower")
    found = (
        f"feature {feature_name(seen)} reads {signed(last_um, kind)}, {amount(abs(limit_um - last_um), kind)} inside"
        f" its {side} limit {signed(limit_um, kind)}"
    )
    guard = f"within the guard band of {amount(seen.guard_um, kind)}"
    if seen.last_was_wild:
        return f"{found}, {guard}; it is far from all other readings: clean and probe again first"
    return f"{found}, {guard}: the probe cannot show that it is good; {_INSPECT}"
