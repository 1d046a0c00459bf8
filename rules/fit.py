"""Estimates whose fit failed."""

from rules.cases import case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Verdict

_CLEAR = Clear("the fit converged")


class Fit(Rule):
    """After a failed fit the estimate rests on assumed parameters; that is sound but less, and a person must see it."""

    name = "fit"
    warns_for = (case(fit_failed="did not converge in 200 steps"),)
    passes_for = (case(fit_failed=None),)

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        if evidence.fit_failed is None:
            return _CLEAR
        return Clear(f"caution: the fit failed ({evidence.fit_failed}); the estimate rests on assumed noise and wear")
