"""Registers whose value the log never showed."""

from decimal import Decimal

from rules.cases import case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Hold, Verdict

_CLEAR = Clear("the log shows what the register holds")


class RegisterKnown(Rule):
    """A snippet states the value it starts from and the value it sets; neither can be made up."""

    name = "register-known"
    holds_for = (case(now=None),)
    passes_for = (case(now=Decimal(0)),)

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        if evidence.now is not None:
            return _CLEAR
        return Hold(
            f"the log never printed what {evidence.register} holds; have the program print "
            f"OFFSET {evidence.register.upper()} and its value with every part"
        )
