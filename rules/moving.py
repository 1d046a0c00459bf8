"""Changes that are not understood yet."""

from rules.cases import case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Verdict, Wait

_CLEAR = Clear("nothing moved suddenly")


class Moving(Rule):
    """One surprising part may be a chip; the next part tells it from a real change."""

    name = "moving"
    stands_alone = True
    holds_for = (case(moving="feature 12 read 35.1 um away from what was expected"),)
    passes_for = (case(moving=None),)

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        return _CLEAR if evidence.moving is None else Wait(evidence.moving)
