"""Names what moved a register's readings, as far as one group alone can tell. Pure."""

from feedback.follow import Track
from rules.evidence import Cause, Evidence
from rules.verdicts import Decision

PARTS_A_CHANGE_IS_NEWS = 10  # parts after which a sudden change is simply where the register now stands


def likely_cause(evidence: Evidence, track: Track, jump_age: int) -> Cause:
    """The cause to tell the rules; `jump_age` counts parts since a sudden change of this register, -1 without one."""
    if any(seen.last_was_wild for seen in evidence.features) and evidence.moving is not None:
        return "outlier"
    if 0 <= jump_age < PARTS_A_CHANGE_IS_NEWS:
        return "new-edge" if evidence.kind == "tool" else "part-moved"
    if track.new_tool and (track.parts_since_new_tool or 0) <= PARTS_A_CHANGE_IS_NEWS:
        return "new-edge"
    if _is_wearing(evidence):
        return "wear"
    return "none"


def _is_wearing(evidence: Evidence) -> bool:
    """The drift has the sign of wear and is clear of its own uncertainty (two standard deviations)."""
    return evidence.kind == "tool" and evidence.wear_sign * evidence.slope_um > 2 * evidence.slope_sd_um > 0


def decided_cause(evidence: Evidence, decision: Decision) -> Cause:
    """The cause to show beside the decision: what the rules found in the sizes themselves comes first."""
    found = {reason.rule: reason.verdict for reason in decision.reasons}
    if found.get("plausible") == "stop":
        return "tool-broken"
    if found.get("conflict") == "hold":
        return "conflict"
    if evidence.cause == "none" and decision.answer in ("correct", "hold"):
        return "wear" if evidence.kind == "tool" and decision.error_um * evidence.wear_sign > 0 else "unknown"
    return evidence.cause
