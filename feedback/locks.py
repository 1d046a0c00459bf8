"""What the words of a lock tell of: they are written in other places and known again here. Pure, and light."""

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from rules.evidence import Cause

TOGETHER: Final = "changed together"
AS_THE_PROBE: Final = "That is how a probe that reads all sizes wrong looks"
SETTER_READ: Final = "the tool setter read"
NOTHING_OF: Final = "the probe found nothing of what"


def cause_told(why: str) -> "Cause | None":
    """The cause that the words of a lock speak of; None for any other reason to lock a register."""
    if not why.startswith(TOGETHER):
        return None
    return "probe" if AS_THE_PROBE in why else "unknown"


def tells_of_break(why: str | None) -> bool:
    """Whether words that lock a register tell of a broken tool: of `setter.SetterWatch` or of `missed.MissWatch`."""
    return why is not None and why.startswith((SETTER_READ, NOTHING_OF))
