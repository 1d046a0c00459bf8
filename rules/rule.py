"""What every rule is: a name, a reason to exist, a verdict, and its own cases."""

from abc import ABC, abstractmethod
from typing import ClassVar

from rules.cases import Case
from rules.evidence import Evidence
from rules.limits import Limits
from rules.verdicts import Verdict


class Rule(ABC):
    """One reason for or against moving a register. Rules know nothing of each other; the engine weighs them."""

    name: ClassVar[str]
    stands_alone: ClassVar[bool] = False  # its wait or hold counts even where no correction is wished
    ends_proposals: ClassVar[bool] = True  # its hold or stop withdraws a proposal that is still open
    holds_for: ClassVar[tuple[Case, ...]] = ()  # cases it answers with wait, hold or stop
    wishes_for: ClassVar[tuple[Case, ...]] = ()  # cases it answers with a wish
    warns_for: ClassVar[tuple[Case, ...]] = ()  # cases it lets pass with a caution
    passes_for: ClassVar[tuple[Case, ...]]  # cases it lets pass

    @abstractmethod
    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        """This rule's answer; the same evidence and limits always give the same one."""
