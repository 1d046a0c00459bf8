"""Corrections in the direction no tool wears."""

from rules.cases import case, feature
from rules.evidence import Evidence
from rules.limits import Limits
from rules.outlook import is_sure, outlook
from rules.rule import Rule
from rules.verdicts import Clear, Hold, Verdict, Wait
from rules.words import signed

_NO_TOOL = Clear("not a tool register")
_WEAR = Clear("no correction in the growing direction")
_NEW_TOOL = Clear("in the growing direction, and a new tool or edge was recorded")
_RELEASED = Clear("in the growing direction, which a person has released")


class Growth(Rule):
    """A tool does not grow: such a correction needs a new tool, a new edge, or somebody's mistake."""

    name = "growth"
    holds_for = (
        case(feature(14.0)),
        case(feature(14.0), parts=1),
        case(feature(-14.0), wear_sign=-1),
    )
    passes_for = (
        case(feature(-14.0)),
        case(feature(1.0)),
        case(feature(14.0), new_tool_recorded=True),
        case(feature(14.0), growth_released=True),
        case(feature(14.0), register="work 54 Z", kind="work"),
        case(feature(14.0), wear_sign=-1),
    )

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        if evidence.kind != "tool":
            return _NO_TOOL
        seen = outlook(evidence, limits)
        if not (seen.is_outside_band and seen.error_um * evidence.wear_sign < 0.0):
            return _WEAR
        if evidence.new_tool_recorded:
            return _NEW_TOOL
        if evidence.growth_released:
            return _RELEASED
        asked = signed(-seen.error_um, evidence.kind)
        if not is_sure(evidence, limits):
            return Wait(f"{asked} would be in the growing direction, but that is not sure yet")
        return Hold(
            f"{asked} is in the growing direction and a tool does not grow: record the new tool or edge, find the "
            "mistake, or have a person release the register"
        )
