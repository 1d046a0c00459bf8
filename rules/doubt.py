"""Measurements that may not be true."""

from rules.cases import case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Hold, Verdict

_CLEAR = Clear("nothing speaks against the measurements")


class Doubt(Rule):
    """While the probe or its conditions are in doubt, a correction would move the machine by the probe's error."""

    name = "doubt"
    holds_for = (case(doubt="ring RING1 read 6.0 um too big"),)
    passes_for = (case(doubt=None),)

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        if evidence.doubt is None:
            return _CLEAR
        return Hold(f"the measurements are in doubt: {evidence.doubt}")
