"""What people do with a proposal, and what the log later shows of it."""

from datetime import timedelta
from decimal import Decimal

import pytest

from feedback.errors import UsageError
from tests.stories.conftest import Tell
from tests.stories.story import RADIUS, Story


def due(tell: Tell, limits: str = "") -> Story:
    """A cell in which tool 5 has worn until a correction was proposed."""
    story = tell(limits=limits)
    for _ in range(40):
        story.cut(wear_um=0.25)
        if story.answer() == "correct":
            return story
    raise AssertionError(f"no proposal in forty parts: {story.answers_on()}")


def test_accepted_correction_is_recognised_when_it_is_entered(tell: Tell) -> None:
    """Accepted is not entered: only when the log shows the new value does the proposal count as entered."""
    story = due(tell).accept(note="as proposed")
    assert story.open_proposal()["status"] == "accepted"

    story.cut(wear_um=0.25)
    assert story.open_proposal()["status"] == "accepted"
    assert story.answer() == "hold"
    assert story.verdicts()["pending"] == "hold"

    story.enter().cut(wear_um=0.25)
    assert [event["id"] for event in story.events("entered")] == [event["id"] for event in story.events("accepted")]
    assert story.events("hand-change") == []


def test_entered_correction_settles_and_is_left_alone(tell: Tell) -> None:
    """After the entry the bore is back in its band, and nothing is proposed while the change shows itself."""
    story = due(tell).accept().enter()
    proposed = len(story.events("proposed"))
    story.cut(parts=5, wear_um=0.1)
    assert set(story.answers_on()[-5:]) <= {"leave", "wait", "hold"}
    assert story.answer() == "leave"
    assert len(story.events("proposed")) == proposed
    assert abs(story.decision()["error_mm"]) < 0.0016


def test_same_correction_is_not_asked_twice(tell: Tell) -> None:
    """While a proposal stands, the parts that follow bring no second one."""
    story = due(tell)
    first = story.open_proposal()["id"]
    story.cut(parts=4, wear_um=0.02)
    assert story.open_proposal()["id"] == first
    assert len(story.events("proposed")) == 1


def test_rejected_correction_rests(tell: Tell) -> None:
    """A rejected proposal is not asked again until its rest time of ten parts has passed; then it is."""
    story = due(tell).reject(why="insert is changed tonight")
    for _ in range(8):
        story.cut(wear_um=0.1)
        assert story.answer() == "hold"
        assert story.verdicts()["rejected"] == "hold"
    story.cut(parts=4, wear_um=0.1)
    assert story.answer() == "correct"
    assert len(story.events("proposed")) == 2


def test_rejection_rests_over_restarts(tell: Tell) -> None:
    """Where the tool is started for each part anew, a rejection rests as long as where it runs on."""
    story = due(tell).reject(why="insert is changed tonight")
    for _ in range(8):
        story.reopen().cut(wear_um=0.1)
        assert story.answer() == "hold"
    for _ in range(4):
        story.reopen().cut(wear_um=0.1)
    assert story.answer() == "correct"


def test_hand_change_withdraws_an_open_proposal(tell: Tell) -> None:
    """Another value than the one proposed is a hand change, and the proposal is withdrawn."""
    story = due(tell)
    value = Decimal(str(story.open_proposal()["new_mm"])) - Decimal("0.002")
    story.machines["M1"].enter(RADIUS, value)
    story.cut(wear_um=0.1)
    assert [Decimal(event["to"]) for event in story.events("hand-change")] == [value]
    assert len(story.events("withdrawn")) == 1
    assert story.events("entered") == []


def test_hand_change_is_known_movement(tell: Tell) -> None:
    """A hand change steps the estimate by itself: no cause is looked for and no tool is thought to have grown."""
    story = tell().cut(parts=14, wear_um=0.1)
    before = story.decision()["error_mm"]
    story.machines["M1"].enter(RADIUS, Decimal("-0.002"))
    story.cut(parts=1, wear_um=0.1)
    assert story.decision()["error_mm"] - before == pytest.approx(-0.002, abs=0.0007)
    assert story.decision()["cause"] in ("none", "wear")
    assert len(story.events("hand-change")) == 1


def test_unanswered_proposal_expires(tell: Tell) -> None:
    """A proposal that nobody answers for ten parts no longer describes the machine; a fresh one takes its place."""
    story = due(tell)
    first = story.open_proposal()["id"]
    story.cut(parts=11, wear_um=0.01)
    assert [event["id"] for event in story.events("expired")] == [first]
    assert story.open_proposal()["id"] != first


def test_proposal_expires_by_the_clock(tell: Tell) -> None:
    """Where limits say two hours, a proposal that is older can no longer be accepted."""
    story = due(tell, limits='[default]\nexpires = "2 h"\n')
    id = story.open_proposal()["id"]
    with pytest.raises(UsageError, match="expired"):
        story.cell.accept(id, by="op1", now=story.now() + timedelta(hours=3))
    assert story.events("accepted") == []


def test_new_tool_withdraws_an_open_proposal(tell: Tell) -> None:
    """A proposal for the old cutter is withdrawn when a new one is recorded."""
    story = due(tell)
    story.write("NEWTOOL 5\n")
    story.process()
    assert len(story.events("withdrawn")) == 1
    assert "new tool 5" in story.events("withdrawn")[0]["why"]
    found = story.proposal()
    assert found is None or found["status"] not in ("open", "accepted")


def test_entered_without_review_is_recorded_as_such(tell: Tell) -> None:
    """An operator who keys in the proposed value without accepting it is on record: entered, accepted by nobody."""
    story = due(tell).enter()
    story.cut(wear_um=0.1)
    assert len(story.events("entered")) == 1
    assert story.events("accepted") == []
    assert story.events("hand-change") == []
    found = story.proposal()
    assert found is None or (found["status"] == "entered" and found["by"] is None)


def test_stale_digest_is_refused(tell: Tell) -> None:
    """A person who looked at another proposal than the one stored is told so, and nothing is accepted."""
    story = due(tell)
    with pytest.raises(UsageError, match="digest"):
        story.accept(digest="sha256:0000")
    assert story.open_proposal()["status"] == "open"
    story.accept(digest=story.open_proposal()["digest"])
    assert story.open_proposal()["status"] == "accepted"


@pytest.mark.parametrize("by", ["quality", "somebody"])
def test_only_reviewers_answer(tell: Tell, by: str) -> None:
    """A person who may not review, or whom nobody knows, can neither accept nor reject."""
    story = due(tell)
    with pytest.raises(UsageError, match=by):
        story.accept(by=by)
    with pytest.raises(UsageError, match=by):
        story.reject(by=by)
    assert story.open_proposal()["status"] == "open"


def test_only_those_who_may_release(tell: Tell) -> None:
    """The operator may not release a register; the process engineer may."""
    story = tell().cut(parts=3)
    with pytest.raises(UsageError, match="op1"):
        story.cell.release(f"M1 {RADIUS}", by="op1", why="it is fine", now=story.now())
    assert story.cell.release(f"M1 {RADIUS}", by="pe", why="new insert, not recorded", now=story.now()) == "growth"


def test_rejection_needs_a_reason(tell: Tell) -> None:
    """Nobody rejects without a word: a year later quality asks why."""
    story = due(tell)
    with pytest.raises(UsageError, match="reason"):
        story.reject(why="  ")


def test_answered_proposal_is_answered(tell: Tell) -> None:
    """What was accepted cannot be rejected afterwards, nor accepted again."""
    story = due(tell).accept()
    id = story.open_proposal()["id"]
    with pytest.raises(UsageError, match="accepted by op1"):
        story.cell.reject(id, by="pe", why="changed my mind", now=story.now())
    with pytest.raises(UsageError, match="accepted by op1"):
        story.cell.accept(id, by="pe", now=story.now())


def test_unknown_proposal(tell: Tell) -> None:
    """An id that no proposal has is answered with those that are open."""
    story = due(tell)
    with pytest.raises(UsageError, match=story.open_proposal()["id"]):
        story.cell.accept("p-zzzzzz", by="op1", now=story.now())


def test_snippet_is_written_and_cleared_away(tell: Tell) -> None:
    """An open proposal has its text for the control; a rejected one has none any more."""
    story = due(tell)
    snippet = story.folder / story.open_proposal()["snippet"]
    assert "(REGISTER = TOOL_5 RADIUS)" in snippet.read_text(encoding="ascii")
    story.reject()
    assert not snippet.exists()


def test_two_corrections_of_one_tool(tell: Tell) -> None:
    """Worn, corrected, worn on and corrected again: both steps go down, and their sum follows the wear."""
    story = due(tell).accept().enter()
    story.cut(parts=2, wear_um=0.25)
    for _ in range(30):
        story.cut(wear_um=0.25)
        if story.answer() == "correct":
            break
    found = story.open_proposal()
    assert found["change_mm"] < 0
    assert found["new_mm"] == pytest.approx(found["now_mm"] + found["change_mm"])
    lost_mm = story.machines["M1"].tools[5].radius_lost_um / 1000
    assert found["new_mm"] == pytest.approx(-lost_mm, abs=0.0025)


def test_restart_between_proposal_and_entry(tell: Tell) -> None:
    """A proposal accepted before a restart is still waited for, and recognised, after it."""
    story = due(tell).accept().reopen()
    story.cut(wear_um=0.25)
    assert story.verdicts()["pending"] == "hold"
    story.enter().cut(wear_um=0.25)
    assert len(story.events("entered")) == 1
