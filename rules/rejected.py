"""Proposals that a person turned down."""

from rules.cases import case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Hold, Verdict

_CLEAR = Clear("no proposal was rejected lately")


class Rejected(Rule):
    """A person said no and knows why; the same proposal with the next part would only wear out their patience."""

    name = "rejected"
    holds_for = (case(rejected="p-7f3a91"),)
    passes_for = (case(rejected=None),)

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        if evidence.rejected is None:
            return _CLEAR
        return Hold(f"{evidence.rejected} was rejected; no new proposal until its rest time has passed")
