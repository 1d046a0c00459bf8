"""Features that one register cannot serve together."""

from rules.cases import case, feature
from rules.evidence import Evidence
from rules.limits import Limits
from rules.outlook import Outlook, outlook
from rules.rule import Rule
from rules.verdicts import Clear, Hold, Verdict, Wait
from rules.words import amount, feature_name, signed

_UNKNOWN = Clear("there is no estimate to judge")


class Conflict(Rule):
    """Where even the best step leaves a feature out of its limits, moving the register only chooses the scrap."""

    name = "conflict"
    stands_alone = True
    holds_for = (
        case(feature(-12.0), feature(12.0, id="13")),
        case(feature(-10.5), feature(10.5, id="13")),
        case(feature(12.0), feature(12.0, sensitivity=2.0, id="14")),
        case(feature(-12.0), feature(12.0, id="13"), parts=2),
    )
    passes_for = (
        case(feature(-14.0)),
        case(feature(-14.0), feature(-12.0, id="13")),
        case(feature(-10.0), feature(10.0, id="13")),
        case(feature(float("nan"))),
    )

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        seen = outlook(evidence, limits)
        if seen.margin_um > 0.0:
            return Clear(f"the best step leaves every feature {amount(seen.margin_um, evidence.kind)} or more of room")
        if not seen.is_known:
            return _UNKNOWN
        words = _words(evidence, seen)
        return Hold(words) if evidence.parts >= limits.evidence else Wait(f"{words}; too few parts to be sure")


def _words(evidence: Evidence, seen: Outlook) -> str:
    places = (evidence.features[index] for index in seen.deciding)
    named = " and ".join(
        f"{feature_name(f)} at {signed(f.own_um, evidence.kind)} from centre (S {f.sensitivity:+g})" for f in places
    )
    return f"{evidence.register} cannot bring {named} inside their limits together: one register cannot fix both"
