"""How sure it is that the error is outside the band."""

from rules.cases import case, feature
from rules.evidence import Evidence
from rules.limits import Limits
from rules.outlook import is_confident, outlook, probability_outside
from rules.rule import Rule
from rules.verdicts import Clear, Verdict, Wait
from rules.words import amount

_INSIDE = Clear("no correction is due, so nothing has to be sure")


class Confidence(Rule):
    """An error that only seems to be outside the band may be noise; one more part costs less than a wrong step."""

    name = "confidence"
    holds_for = (
        case(feature(sd_um=5.0)),
        case(feature(-5.0, sd_um=2.0)),
        case(feature(sd_um=float("nan"))),
        case(limits=Limits(confidence=1.0)),
    )
    passes_for = (
        case(feature(sd_um=4.0)),
        case(feature(sd_um=0.0)),
        case(feature(0.0, sd_um=50.0)),
        case(feature(-3.2, sd_um=50.0), limits=Limits(confidence=0.5)),
    )

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        seen = outlook(evidence, limits)
        if not seen.is_outside_band:
            return _INSIDE
        share = f"{100 * probability_outside(seen):.1f} % sure that the error is outside the band"
        spread = f"standard deviation {amount(seen.sd_um, evidence.kind)}"
        if is_confident(seen, limits):
            return Clear(f"{share} ({spread})")
        return Wait(f"{share} ({spread}); {100 * limits.confidence:g} % wanted")
