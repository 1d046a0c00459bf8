"""Errors that this register did not cause."""

from dataclasses import replace

from rules.cases import case
from rules.evidence import Cause, Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Clear, Hold, Stop, Verdict

_NONE = Clear("no other cause is in sight")
_STOPS: dict[Cause, Stop] = {
    "tool-broken": Stop("the readings look like a broken tool: inspect it before the next part"),
}
_HOLDS: dict[Cause, Hold] = {
    "probe": Hold("all sizes moved together, as a probe does: check it on the artefact and correct nothing"),
    "unknown": Hold("something changed and the readings cannot tell what: measure the part by other means first"),
}
_NOT_THE_TOOL: dict[Cause, Hold] = {
    "warm-up": Hold("the machine is warming up; that is never put into a tool's wear"),
    "part-moved": Hold("the part or its fixture moved; that is never put into a tool's wear"),
}
_IS_THE_ZERO: dict[Cause, Clear] = {
    "warm-up": Clear("the machine is warming up, and the part zero may follow it"),
    "part-moved": Clear("the part or its fixture moved, and the part zero may follow it"),
}
_CLEARS: dict[Cause, Clear] = {
    "wear": Clear("the drift looks like wear"),
    "new-edge": Clear("the jump looks like a new edge"),
}


class CauseFits(Rule):
    """Put into a register that did not cause the error, a correction hides the cause and spoils other features."""

    name = "cause"
    holds_for = (
        case(cause="tool-broken"),
        case(cause="probe"),
        case(cause="unknown"),
        case(cause="unknown", told="a new edge or a part that lies elsewhere; to decide it, clamp the part anew"),
        case(cause="warm-up"),
        case(cause="part-moved"),
    )
    passes_for = (
        case(cause="none"),
        case(cause="wear"),
        case(cause="new-edge"),
        case(cause="outlier"),
        case(cause="warm-up", register="work 54 Z", kind="work"),
        case(cause="part-moved", register="work 54 X", kind="work"),
    )

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        cause = evidence.cause
        if cause == "none":
            return _NONE
        moved = _NOT_THE_TOOL if evidence.kind == "tool" else _IS_THE_ZERO
        verdict = moved.get(cause) or _STOPS.get(cause) or _HOLDS.get(cause) or _CLEARS.get(cause, _NONE)
        if evidence.told is None or evidence.locked is not None:  # the lock says it already
            return verdict
        return replace(verdict, words=f"{verdict.words}: {evidence.told}")
