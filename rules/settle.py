"""Changes that have not shown themselves yet."""

from rules.cases import case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Hold, Verdict

_NEVER = Clear("the register was not changed since set-up or the last new tool")


class Settle(Rule):
    """A change needs parts to show itself; correcting again before that corrects the same error twice."""

    name = "settle"
    holds_for = (
        case(parts_since_change=0),
        case(parts_since_change=1),
        case(parts_since_change=4, limits=Limits(settle=5)),
        case(parts_since_change=3, unproven="the change to -0.004 has not shown its effect yet"),
    )
    passes_for = (
        case(parts_since_change=None),
        case(parts_since_change=2),
        case(parts_since_change=0, limits=Limits(settle=0)),
    )

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        since = evidence.parts_since_change
        if since is None:
            return _NEVER
        if since < limits.settle:
            return Hold(f"{since} of the {limits.settle} parts that must show the last change before the next one")
        if evidence.unproven is not None:
            return Hold(evidence.unproven)
        return Clear(f"{since} parts measured since the last change")
