"""What a change did: confirmed, not followed, by another amount, or the wrong way."""

from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any

import pytest

from feedback.commands.proposal_words import lines
from feedback.errors import UsageError
from feedback.ledger import review
from tests.stories.conftest import Tell
from tests.stories.story import RADIUS, Story, machine

WIDE_BAND = '[default]\nband = "60 %"\n'  # lets more wear gather: the correction is bigger


def entered(tell: Tell, acting: Mapping[str, float] | None = None, limits: str = WIDE_BAND, **facts: Any) -> Story:
    """Tool 5 has worn until a correction was proposed; it was accepted, keyed in, and stands in the log."""
    story = tell(machine(acting=acting or {}, **facts), limits=limits)
    for _ in range(40):
        story.cut(wear_um=0.25)
        if story.answer() == "correct":
            return story.accept().enter()
    raise AssertionError(f"no proposal in forty parts: {story.answers_on()}")


def status(story: Story) -> str:
    found = story.proposal()
    assert found is not None
    return str(found["status"])


def test_a_correction_that_does_what_it_promised_is_confirmed(tell: Tell) -> None:
    """The bores follow the entry: confirmed, with a gain about 1 in the history, and nothing is held."""
    story = entered(tell).cut(parts=5, wear_um=0.25)
    (found,) = story.events("confirmed")
    assert status(story) == "confirmed"
    assert found["gain"] == pytest.approx(1.0, abs=0.25)
    assert found["gain_low"] < 1.0 < found["gain_high"]
    assert found["gain_low"] > 0.0
    assert story.events("locked") == []
    assert story.answer() == "leave"


def test_a_proposal_is_shown_with_what_it_did(tell: Tell) -> None:
    """Status, gain with interval and words stand beside the proposal, for programs and for people."""
    story = entered(tell)
    id = story.open_proposal()["id"]
    assert story.cell.shown(id)["effect"] is None
    story.cut(parts=5, wear_um=0.25)
    effect = story.cell.shown(id)["effect"]
    assert effect["status"] == "confirmed"
    assert effect["gain_low"] < effect["gain"] < effect["gain_high"]
    shown = list(lines(story.cell, story.cell.proposal(id)))
    assert f"    effect: {effect['why']}" in shown
    assert "    accepted by op1" in shown


def test_a_value_keyed_in_at_another_tool_than_cuts_is_not_confirmed(tell: Tell) -> None:
    """The register shows the new value and the bores do not follow: unconfirmed, asked where it was entered, held."""
    story = entered(tell, acting={RADIUS: 0.0}).cut(parts=6, wear_um=0.25)
    (found,) = story.events("unconfirmed")
    assert status(story) == "unconfirmed"
    assert found["gain"] == pytest.approx(0.0, abs=0.25)
    assert "was it entered at the tool that cuts" in found["why"]
    assert story.answer() == "hold"
    assert len(story.events("proposed")) == 1


def test_a_change_without_effect_is_no_new_edge(tell: Tell) -> None:
    """What looks like a jump the other way is the change that did not happen: no proposal ever rests on it."""
    story = entered(tell, acting={RADIUS: 0.0}).cut(parts=12, wear_um=0.25)
    assert len(story.events("proposed")) == 1
    assert "correct" not in story.answers_on()[-12:]


def test_the_next_change_ends_the_hold_of_one_without_effect(tell: Tell) -> None:
    """The setter finds the mistake and keys the value in again: the register is held no longer."""
    story = entered(tell, acting={RADIUS: 0.0}).cut(parts=6, wear_um=0.25)
    assert "locked" in story.decision()
    story.machines["M1"].enter(RADIUS, Decimal("-0.005"))
    story.machines["M1"].acting = {}
    story.cut(parts=1)
    assert "locked" not in story.decision()
    assert [event["by"] for event in story.events("released")] == [None]


def test_the_next_change_ends_no_other_lock(tell: Tell) -> None:
    """A register that is locked for another reason as well stays locked when its value is keyed in again."""
    story = entered(tell, acting={RADIUS: 0.0})
    with story.cell.store.writing(story.now()) as tx:
        review.lock(tx, "M1", RADIUS, "the probe is in doubt")
    story.cut(parts=6, wear_um=0.25)
    assert "did not follow" in story.decision()["locked"]
    story.machines["M1"].enter(RADIUS, Decimal("-0.005"))
    story.cut(parts=1)
    assert "locked" in story.decision()


@pytest.mark.parametrize(
    ("stored_as", "gain", "told"),
    [("radius", 0.5, "seems to store diameters"), ("diameter", 2.0, "seems to store radii")],
)
def test_a_radius_taken_for_a_diameter_is_told(tell: Tell, stored_as: str, gain: float, told: str) -> None:
    """The readings follow by half or by twice what was promised: tool_radius in cell.toml is wrong, and it is said."""
    story = entered(tell, acting={RADIUS: gain}, tool_radius=stored_as).cut(parts=8, wear_um=0.25)
    (found,) = story.events("unconfirmed")
    assert found["gain_low"] <= gain <= found["gain_high"]
    assert not found["gain_low"] <= 1.0 <= found["gain_high"]
    assert told in found["why"]
    assert "check tool_radius in cell.toml" in found["why"]
    assert story.answer() in ("hold", "stop")  # twice a correction may take a bore out of its limits
    assert told in story.decision()["locked"]


def test_a_change_that_moves_the_reading_the_wrong_way_locks_the_register(tell: Tell) -> None:
    """A sign is wrong somewhere: locked, whatever the readings do, until somebody who may release says so."""
    story = entered(tell, acting={RADIUS: -1.0}).cut(parts=4, wear_um=0.25)
    (found,) = story.events("wrong-way")
    assert status(story) == "wrong-way"
    assert found["gain"] == pytest.approx(-1.0, abs=0.25)
    assert story.answer() in ("hold", "stop")
    assert "moved the wrong way" in story.decision()["locked"]
    assert 'trueup release "M1 tool 5 radius"' in story.decision()["reasons"][0]["words"]

    story.cut(parts=4, wear_um=0.2)
    assert len(story.events("proposed")) == 1
    with pytest.raises(UsageError, match="may not release"):
        story.cell.release("M1 tool 5 radius", by="op1", why="looks fine", now=story.now())
    story.machines["M1"].acting = {}
    story.cell.release("M1 tool 5 radius", by="pe", why="sign of the plan put right", now=story.now())
    story.cut(parts=20, wear_um=0.3)
    assert "locked" not in story.decision()
    assert len(story.events("proposed")) > 1


def test_another_change_does_not_release_a_wrong_way_lock(tell: Tell) -> None:
    """Keying in another value mends no sign: only a person releases that lock."""
    story = entered(tell, acting={RADIUS: -1.0}).cut(parts=4, wear_um=0.25)
    story.machines["M1"].enter(RADIUS, Decimal("0.000"))
    story.cut(parts=3)
    assert "locked" in story.decision()


def test_a_hand_change_that_works_is_not_spoken_of(tell: Tell) -> None:
    """A value the setter keyed in by hand and that did what it should leaves only the hand change in the history."""
    story = tell().cut(parts=14, wear_um=0.25)
    story.machines["M1"].enter(RADIUS, Decimal("-0.003"))
    story.cut(parts=10, wear_um=0.05)
    assert len(story.events("hand-change")) == 1
    assert not [kind for kind in ("confirmed", "unconfirmed", "wrong-way", "locked") if story.events(kind)]


def test_a_hand_change_that_works_the_wrong_way_locks_the_register(tell: Tell) -> None:
    """A sign that is wrong shows at a hand change too, before anything of ours has done harm."""
    story = tell(machine(acting={RADIUS: -1.0})).cut(parts=14)
    story.machines["M1"].enter(RADIUS, Decimal("-0.003"))
    story.cut(parts=5)
    (found,) = story.events("locked")
    assert "moved the wrong way" in found["why"]
    assert found["gain_high"] < 0


def test_a_change_too_small_to_tell_says_so_and_holds_nothing(tell: Tell) -> None:
    """One micrometre under scatter of the same size cannot be told from nothing, and no one is accused of anything."""
    story = tell().cut(parts=14)
    story.machines["M1"].enter(RADIUS, Decimal("-0.001"))
    story.machines["M1"].acting = {RADIUS: 0.0}
    story.cut(parts=12)
    assert story.events("locked") == []


def test_a_new_tool_ends_the_watch(tell: Tell) -> None:
    """What a new tool reads says nothing about a correction of the old one: unconfirmed, and nothing is held."""
    story = entered(tell, acting={RADIUS: 0.0}).cut(parts=1)
    story.machines["M1"].new_tool(5, radius_um=1.0)
    story.cut(parts=6)
    (found,) = story.events("unconfirmed")
    assert "a new tool came" in found["why"]
    assert story.events("locked") == []


@pytest.mark.parametrize(("acting", "kind"), [(1.0, "confirmed"), (0.0, "unconfirmed"), (-1.0, "wrong-way")])
def test_a_restart_changes_no_verdict(tell: Tell, acting: float, kind: str) -> None:
    """The tool is stopped and started between all parts: the same gain comes out, once."""
    running = entered(tell, acting={RADIUS: acting}).cut(parts=6, wear_um=0.25)
    stopped = entered(tell, acting={RADIUS: acting})
    for _ in range(6):
        stopped.reopen().cut(wear_um=0.25)
    assert stopped.events(kind) == running.events(kind)
    assert len(stopped.events(kind)) == 1


def test_a_backlog_finds_what_the_live_cell_finds(tell: Tell) -> None:
    """The log of a hand change that worked the wrong way, read at once, gives the same lock as part by part."""
    live = tell(machine(acting={RADIUS: -1.0})).cut(parts=14, wear_um=0.05)
    late = tell(machine(acting={RADIUS: -1.0}))
    live.machines["M1"].enter(RADIUS, Decimal("-0.003"))
    live.cut(parts=6, wear_um=0.05)
    for path in sorted((live.folder / "logs" / "M1").iterdir()):
        late.write(path.read_text(encoding="latin-1"), file=path.name)
    late.machines["M1"].clock = live.machines["M1"].clock
    late.process()
    assert late.events("locked") == live.events("locked")
    assert len(late.events("locked")) == 1


def deliver_with_late_news(story: Story) -> Story:
    """One text with a part of the early morning and the very part that tells; then three parts more."""
    early = machine(first_part=90, start=datetime(2025, 3, 3, 5, 0, 0))  # noqa: DTZ001 - a control's own clock
    return story.deliver(early.cut() + story.machines["M1"].cut()).cut(parts=3)


def test_late_news_loses_no_verdict(tell: Tell) -> None:
    """The proposal gets its verdict all the same, once."""
    story = entered(tell, acting={RADIUS: 0.0}).cut(parts=2, wear_um=0.25)
    assert story.events("unconfirmed") == []
    deliver_with_late_news(story)
    assert len(story.events("unconfirmed")) == 1
    assert status(story) == "unconfirmed"
    assert "locked" in story.decision()


def test_late_news_loses_no_hand_change_that_went_the_wrong_way(tell: Tell) -> None:
    """Likewise for a change that nobody proposed; more late news does not lock it again."""
    story = tell(machine(acting={RADIUS: -1.0})).cut(parts=14)
    story.machines["M1"].enter(RADIUS, Decimal("-0.003"))
    deliver_with_late_news(story.cut(parts=2))
    assert len(story.events("locked")) == 1
    deliver_with_late_news(story)
    assert len(story.events("locked")) == 1
