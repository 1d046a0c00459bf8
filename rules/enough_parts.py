"""Estimates with too few parts behind them."""

from rules.cases import case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Verdict, Wait


class EnoughParts(Rule):
    """One reading may be a chip, two a coincidence; never correct on one part."""

    name = "evidence"
    holds_for = (case(parts=2), case(parts=0), case(parts=9, limits=Limits(evidence=10)))
    passes_for = (case(parts=3), case(parts=1, limits=Limits(evidence=1)))

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        if evidence.parts < limits.evidence:
            return Wait(f"{evidence.parts} of the {limits.evidence} parts that must stand behind an estimate")
        return Clear(f"{evidence.parts} parts behind the estimate")
