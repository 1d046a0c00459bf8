"""Names what moved a register's readings, as far as one group alone can tell. Pure."""

from feedback.follow import Track
from feedback.locks import cause_told
from feedback.registers import RegisterKind
from rules.evidence import Cause, Evidence
from rules.verdicts import Decision

PARTS_A_CHANGE_IS_NEWS = 10  # parts after which a sudden change is simply where the register now stands


def likely_cause(kind: RegisterKind, track: Track, *, jump_age: int, is_moving: bool, is_wearing: bool) -> Cause:
    """The cause to tell the rules.

    `jump_age`: parts since a sudden change of this register, -1 without one. `is_moving`: the newest reading is not
    believed yet. `is_wearing`: the drift has the sign of wear and is clear of twice its own standard deviation.
    """
    if is_moving:
        return "outlier"
    if 0 <= jump_age < PARTS_A_CHANGE_IS_NEWS:
        return "new-edge" if kind == "tool" else "part-moved"
    if track.new_tool and (track.parts_since_new_tool or 0) <= PARTS_A_CHANGE_IS_NEWS:
        return "new-edge"
    return "wear" if kind == "tool" and is_wearing else "none"


def decided_cause(evidence: Evidence, decision: Decision) -> Cause:
    """The cause to show beside the decision: what the rules found in the sizes themselves comes first."""
    found = {reason.rule: reason.verdict for reason in decision.reasons}
    if "stop" in (found.get("plausible"), found.get("broken")):
        return "tool-broken"
    shared = None if evidence.locked is None else cause_told(evidence.locked)
    if shared is not None:
        return shared
    if found.get("conflict") == "hold":
        return "conflict"
    if evidence.cause in ("none", "wear") and evidence.moved_apart:
        # of one tool that is a conflict; between the points of a datum the part lies turned
        return "conflict" if evidence.kind == "tool" else "part-moved"
    if evidence.cause == "none" and decision.answer in ("correct", "hold"):
        return "wear" if evidence.kind == "tool" and decision.error_um * evidence.wear_sign > 0 else "unknown"
    return evidence.cause
