"""Which cause is named for what a register's readings did."""

from dataclasses import replace

import pytest

from feedback.cause import PARTS_A_CHANGE_IS_NEWS, decided_cause, likely_cause
from feedback.follow import Track
from feedback.registers import RegisterKind
from rules.evidence import Cause, Evidence
from rules.verdicts import Answer, Decision, Reason

QUIET = {"jump_age": -1, "is_moving": False, "is_wearing": False}
FRESH = Track(new_tool=True, parts_since_new_tool=3)
OLD = Track(new_tool=True, parts_since_new_tool=PARTS_A_CHANGE_IS_NEWS + 1)


@pytest.mark.parametrize(
    ("kind", "track", "signs", "cause"),
    [
        ("tool", Track(), {}, "none"),
        ("tool", Track(), {"is_wearing": True}, "wear"),
        ("work", Track(), {"is_wearing": True}, "none"),
        ("tool", Track(), {"jump_age": 0}, "new-edge"),
        ("work", Track(), {"jump_age": 0}, "part-moved"),
        ("rotary", Track(), {"jump_age": 0}, "part-moved"),
        ("tool", Track(), {"jump_age": PARTS_A_CHANGE_IS_NEWS}, "none"),
        ("tool", Track(), {"jump_age": PARTS_A_CHANGE_IS_NEWS, "is_wearing": True}, "wear"),
        ("tool", FRESH, {}, "new-edge"),
        ("tool", FRESH, {"is_wearing": True}, "new-edge"),
        ("tool", OLD, {"is_wearing": True}, "wear"),
        ("tool", FRESH, {"is_moving": True, "jump_age": 0, "is_wearing": True}, "outlier"),
    ],
)
def test_the_cause_named(kind: RegisterKind, track: Track, signs: dict[str, int], cause: Cause) -> None:
    """One reading not believed comes first, then a jump, then a new tool, then wear; parts do not wear."""
    assert likely_cause(kind, track, **{**QUIET, **signs}) == cause  # type: ignore[arg-type]


def decision(answer: Answer, error_um: float = 0.0, **verdicts: str) -> Decision:
    reasons = tuple(Reason(rule, verdict, "") for rule, verdict in verdicts.items())
    return Decision(register="r", part="1", answer=answer, error_um=error_um, sd_um=1.0, reasons=reasons)


def evidence(kind: str = "tool", cause: Cause = "none") -> Evidence:
    return Evidence(register="r", kind=kind, part="1", features=(), cause=cause)  # type: ignore[arg-type]


def test_what_the_sizes_say_comes_before_what_the_trend_says() -> None:
    """A reading far from nominal is a broken tool, and two features at odds a conflict, worn or not."""
    worn = evidence(cause="wear")
    assert decided_cause(worn, decision("stop", plausible="stop")) == "tool-broken"
    assert decided_cause(worn, decision("hold", conflict="hold")) == "conflict"
    assert decided_cause(worn, decision("stop", tolerance="stop")) == "wear"


def test_an_error_without_a_cause_is_not_called_none() -> None:
    """A due correction has a cause: wear where the sign is that of wear, else nobody knows."""
    assert decided_cause(evidence(), decision("correct", 5.0)) == "wear"
    assert decided_cause(evidence(), decision("correct", -5.0)) == "unknown"
    assert decided_cause(evidence("work"), decision("hold", 5.0)) == "unknown"
    assert decided_cause(evidence(), decision("leave", 5.0)) == "none"


PROBE = "changed together and alike: a; b. That is how a probe that reads all sizes wrong looks: check it"
TOGETHER = "changed together: a; b. One tool does not explain that"


@pytest.mark.parametrize(
    ("locked", "cause"), [(PROBE, "probe"), (TOGETHER, "unknown"), ("the last change went the wrong way", "new-edge")]
)
def test_a_lock_by_what_moved_together_says_the_cause(locked: str, cause: Cause) -> None:
    """Where all sizes moved alike the probe is named, not the new edge that one tool alone looks like."""
    jumped = replace(evidence(cause="new-edge"), locked=locked)
    assert decided_cause(jumped, decision("hold", lock="hold")) == cause
    assert decided_cause(jumped, decision("stop", plausible="stop")) == "tool-broken"


def test_sizes_that_a_wrong_probe_sets_at_odds_are_no_conflict() -> None:
    """Bores and bosses of one tool disagree when the probe is wrong; the probe is what is named."""
    locked = replace(evidence(), locked=PROBE)
    assert decided_cause(locked, decision("hold", lock="hold", conflict="hold")) == "probe"


def moved_apart(kind: str = "tool", cause: Cause = "none") -> Evidence:
    return replace(evidence(kind, cause), moved_apart=True)


def test_features_that_move_apart_are_no_register() -> None:
    """A change that is believed and is no jump of the register: of a tool a conflict, of a datum a part that turned."""
    wait = decision("wait", moving="wait")
    assert decided_cause(moved_apart(), wait) == "conflict"
    assert decided_cause(moved_apart(cause="wear"), wait) == "conflict"
    assert decided_cause(moved_apart("work"), wait) == "part-moved"
    assert decided_cause(moved_apart(cause="new-edge"), wait) == "new-edge"
    assert decided_cause(moved_apart(cause="outlier"), wait) == "outlier"
