"""What is told of the registers of one machine when everything that moved on it has been looked at together. Pure.

One edge changes alone. When registers of different owners (two tools, a tool and a coordinate system) change together,
something common moved them: the probe, the machine, the program, warmth. Which of them it was is weighed in
`feedback.weighing`; here stands what a person reads of it and what follows for the registers.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from feedback.locks import AS_THE_PROBE, TOGETHER
from feedback.registers import Register
from rules.evidence import Cause


@dataclass(frozen=True, slots=True)
class Told:
    """The cause of what one register's readings did, and the words for it.

    `needs_a_person`: nothing may be proposed for the register until somebody has looked and released it. `holds`: parts
    that it stays true for, when later ones no longer show it as clearly.
    """

    cause: Cause
    words: str
    needs_a_person: bool = False
    holds: int = 0


Verdict = Mapping[Register, Told]
NOTHING: Verdict = MappingProxyType({})
QUIET = Told("none", "")  # everything was looked at, and this register has not moved

# What would tell two causes apart, by how much it says; the first that fits either of them is asked for.
_DECIDES: Mapping[Cause, str] = MappingProxyType(
    {
        "probe": "check the probe on a certified artefact",
        "warm-up": "touch the datum again after the machine has stood still for a while",
        "part-moved": "clamp the part anew and probe it again",
        "conflict": "measure the two features that disagree by other means",
        "outlier": "probe the feature again",
        "tool-broken": "look at the tool",
        "new-edge": "touch a feature that another tool has cut",
        "wear": "measure the next parts",
    }
)


def probe_words(changes: str) -> str:
    """Every size alike: nothing may be corrected by such readings."""
    return (
        f"{TOGETHER} and alike: {changes}. {AS_THE_PROBE}: check it on a certified artefact and correct nothing by it"
    )


def together_words(changes: str) -> str:
    """Several tools at once, and not as any one cause would move them."""
    return f"{TOGETHER}: {changes}. One tool does not explain that: find out what moved before correcting"


def undecided_words(changes: str, causes: list[tuple[Cause, str]]) -> str:
    """Several causes explain the readings about as well: which, and what would decide."""
    named = " or ".join(f"{_NAMES[cause]}{f' of {who}' if who else ''}" for cause, who in causes)
    asked = next(words for cause, words in _DECIDES.items() if any(cause == one for one, _ in causes))
    return f"{changes}: {named}, the readings do not tell which; to decide it, {asked}"


_NAMES: Mapping[Cause, str] = MappingProxyType(
    {
        "none": "nothing new",
        "wear": "wear",
        "new-edge": "a new edge",
        "part-moved": "a part that lies elsewhere",
        "warm-up": "the machine warming up",
        "probe": "the probe",
        "tool-broken": "a broken tool",
        "outlier": "one wild reading",
        "conflict": "a feature that goes its own way",
        "unknown": "something else",
    }
)
