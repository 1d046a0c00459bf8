"""Readings that no wear explains."""

from rules.cases import case, feature
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Stop, Verdict
from rules.words import amount, feature_name, signed

_CLEAR = Clear("every reading is near its nominal")


class Plausible(Rule):
    """A reading far from nominal is a broken tool, a wrong offset or a wrong unit: nothing a correction can mend."""

    name = "plausible"
    holds_for = (
        case(feature(last_um=300.1)),
        case(feature(last_um=-300.1)),
        case(feature(last_um=1.0), feature(last_um=24_000.0)),
        case(feature(last_um=float("nan"))),
    )
    passes_for = (case(feature(last_um=300.0)), case(feature(last_um=-300.0)), case(feature(last_um=None)))

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        for seen in evidence.features:
            # Not "further than": a reading that is no number must stop as well.
            if seen.last_um is not None and not abs(seen.last_um) <= limits.implausible_um:
                return Stop(
                    f"feature {feature_name(seen)} reads {signed(seen.last_um, evidence.kind)} from nominal, more than "
                    f"{amount(limits.implausible_um, evidence.kind)}: look for a broken tool, a wrong offset or unit"
                )
        return _CLEAR
