"""Corrections on their way to the machine."""

from rules.cases import case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Hold, Verdict

_CLEAR = Clear("no accepted correction is waiting to be entered")


class Pending(Rule):
    """An accepted correction that the log has not shown yet is counted on; a second one would come on top of it."""

    name = "pending"
    holds_for = (case(pending="p-7f3a91"),)
    passes_for = (case(pending=None),)

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        if evidence.pending is None:
            return _CLEAR
        return Hold(f"{evidence.pending} was accepted and is not seen in the log yet")
