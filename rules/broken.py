"""Tools that the tool setter found broken."""

from rules.cases import case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Stop, Verdict

_CLEAR = Clear("the tool setter found nothing broken")


class Broken(Rule):
    """A tool that the setter found shorter or smaller by more than any wear is broken: the next part would be scrap."""

    name = "broken"
    holds_for = (case(broken="the tool setter read tool 5 length 1.5 mm shorter than before"),)
    passes_for = (case(broken=None),)

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        return _CLEAR if evidence.broken is None else Stop(evidence.broken)
