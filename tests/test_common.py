"""What a person reads of changes that several registers show together."""

import pytest

from feedback.common import probe_words, together_words, undecided_words
from feedback.locks import cause_told
from rules.evidence import Cause


def test_a_lock_tells_the_cause_it_was_set_for() -> None:
    """What was locked for the probe, or because several tools changed at once, says so; other locks say nothing."""
    assert cause_told(probe_words("tool 5 radius by -6.0 um")) == "probe"
    assert cause_told(together_words("tool 5 radius by -6.0 um; tool 6 radius by +9.0 um")) == "unknown"
    assert cause_told("the last change went the wrong way") is None


@pytest.mark.parametrize(
    ("causes", "asked"),
    [
        ([("new-edge", "tool 5"), ("probe", "machine")], "check the probe on a certified artefact"),
        ([("new-edge", "tool 5"), ("part-moved", "work 54")], "clamp the part anew and probe it again"),
        ([("conflict", "tool 5"), ("outlier", "feature 4101/12")], "measure the two features that disagree"),
        ([("part-moved", "work 54"), ("warm-up", "machine")], "after the machine has stood still"),
        ([("new-edge", "tool 5"), ("wear", "tool 6")], "touch a feature that another tool has cut"),
    ],
)
def test_what_is_not_decided_says_what_would_decide_it(causes: list[tuple[Cause, str]], asked: str) -> None:
    """Whoever reads that two causes fit alike also reads which measurement tells them apart."""
    words = undecided_words("tool 5 radius by +4.0 um, over the last 3 parts", causes)
    assert words.startswith("tool 5 radius by +4.0 um")
    assert asked in words
