"""Registers that a person has to release."""

from rules.cases import case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Hold, Verdict

_CLEAR = Clear("the register is not locked")


class Lock(Rule):
    """A correction that worked the wrong way means a sign is wrong somewhere; the next one would double the damage."""

    name = "lock"
    holds_for = (case(locked="the last correction moved the reading the wrong way"),)
    passes_for = (case(locked=None),)

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        if evidence.locked is None:
            return _CLEAR
        return Hold(f"locked until a person releases {evidence.register}: {evidence.locked}")
