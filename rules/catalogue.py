"""Every rule, in the order in which it is asked and shown."""

from rules.aim import Aim
from rules.band import Band
from rules.broken import Broken
from rules.cause import CauseFits
from rules.confidence import Confidence
from rules.conflict import Conflict
from rules.doubt import Doubt
from rules.enough_parts import EnoughParts
from rules.fit import Fit
from rules.growth import Growth
from rules.lock import Lock
from rules.moving import Moving
from rules.pending import Pending
from rules.plausible import Plausible
from rules.register_known import RegisterKnown
from rules.rejected import Rejected
from rules.rule import Rule
from rules.settle import Settle
from rules.tolerance import Tolerance
from rules.travel import Travel

RULES: tuple[Rule, ...] = (
    Plausible(),
    Broken(),
    Tolerance(),
    Doubt(),
    Lock(),
    RegisterKnown(),
    Moving(),
    CauseFits(),
    Fit(),
    EnoughParts(),
    Band(),
    Confidence(),
    Aim(),
    Settle(),
    Pending(),
    Rejected(),
    Growth(),
    Conflict(),
    Travel(),
)

# What can be said of a feature that no register moves: its size can stop the run, nothing else follows from it.
SIZE_RULES: tuple[Rule, ...] = (Plausible(), Tolerance(), Doubt())

# What can be said of a tool that no plan looks at.
BREAK_RULES: tuple[Rule, ...] = (Broken(),)


def table() -> tuple[tuple[str, str], ...]:
    """Name and reason of every rule in order, for the documentation."""
    return tuple((rule.name, " ".join((rule.__doc__ or "").split())) for rule in RULES)
