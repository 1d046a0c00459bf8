"""Tools that were found broken: on the tool setter, or by a part in which nothing of their work was found."""

from rules.cases import case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Stop, Verdict

_CLEAR = Clear("nothing says that the tool is broken")


class Broken(Rule):
    """Lost more on the tool setter than any wear takes, or nothing found of its work: the next part would be scrap."""

    name = "broken"
    holds_for = (case(broken="the tool setter read tool 5 length 1.5 mm shorter than before"),)
    passes_for = (case(broken=None),)

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        return _CLEAR if evidence.broken is None else Stop(evidence.broken)
