"""What becomes of a proposal while parts go on: it runs out, is entered, is overtaken by a hand, or may come again."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from feedback.errors import UsageError
from tests.stories.story import RADIUS, Story, machine

Tell = Callable[..., Story]


@pytest.fixture
def tell(tmp_path: Path) -> Iterator[Tell]:
    """A cell whose tool 5 has worn until a correction is proposed."""
    told: list[Story] = []

    def worn(limits: str = "", **facts: Any) -> Story:
        told.append(Story(tmp_path / f"cell{len(told)}", machine(**facts), limits=limits))
        story = told[-1].cut(parts=3, wear_um=0.3)
        while story.answer() != "correct":
            story.cut(wear_um=0.3)
            assert len(story.answers) < 200, "no correction was ever proposed"
        return story

    yield worn
    for story in told:
        story.cell.close()


def status(story: Story, id: str) -> str:
    return story.cell.proposal(id).status


def page(story: Story, radius: str, after: str = "") -> None:
    """The control prints the offset page between two parts."""
    story.deliver(f"OFFSET TOOL 5 RADIUS {radius} LENGTH 0.000\n{after}")


def test_a_proposal_runs_out_after_its_parts(tell: Tell) -> None:
    """Accepted and never entered: with the fourth part after it was proposed it no longer describes the machine."""
    story = tell(limits='[default]\nexpires = "4 parts"\n')
    id = story.open_proposal()["id"]
    story.accept()

    story.cut(parts=3)
    assert status(story, id) == "accepted"
    story.cut()
    assert status(story, id) == "expired"
    (event,) = story.events("expired")
    assert (event["id"], event["why"]) == (id, "4 parts have passed since it was proposed")


def test_a_proposal_runs_out_by_the_clock(tell: Tell) -> None:
    """Half an hour, at eight minutes a part: still waiting to be entered after three parts, gone with the fourth."""
    story = tell(limits='[default]\nexpires = "30 min"\n')
    id = story.open_proposal()["id"]
    opened = story.cell.proposal(id).opened_at

    story.accept()

    story.cut(parts=3)
    assert (story.now() - opened).total_seconds() < 30 * 60
    assert status(story, id) == "accepted"
    story.cut()
    assert (story.now() - opened).total_seconds() > 30 * 60
    assert status(story, id) == "expired"


def test_a_proposal_that_has_run_out_by_the_clock_cannot_be_accepted(tell: Tell) -> None:
    """Nobody enters last week's correction because no part has come since."""
    story = tell(limits='[default]\nexpires = "30 min"\n')
    id = story.open_proposal()["id"]
    story.machines["M1"].clock = story.machines["M1"].clock.replace(hour=23)

    with pytest.raises(UsageError, match=f"{id}.*expired.*nothing was changed"):
        story.accept()
    assert status(story, id) == "open"


def test_a_rejected_proposal_rests_and_may_come_again(tell: Tell) -> None:
    """A no holds for as long as the proposal would have lived; afterwards the same error is asked about anew."""
    story = tell(limits='[default]\nexpires = "4 parts"\n')
    first = story.open_proposal()["id"]
    story.reject()

    story.cut(parts=3, wear_um=0.3)
    assert story.answer() == "hold"
    assert story.verdicts()["rejected"] == "hold"
    story.cut(parts=2, wear_um=0.3)
    second = story.open_proposal()["id"]
    assert second != first
    assert (status(story, first), status(story, second)) == ("rejected", "open")


def test_a_hand_change_withdraws_the_proposal(tell: Tell) -> None:
    """Somebody keys in another value: the proposal names a value that is no longer there, and says so."""
    story = tell()
    id = story.open_proposal()["id"]
    page(story, "-0.011")

    assert status(story, id) == "withdrawn"
    (change,) = story.events("hand-change")
    assert (change["register"], change["from"], change["to"]) == (RADIUS, "0.000", "-0.011")
    (withdrawn,) = story.events("withdrawn")
    assert "by hand from 0.000 to -0.011" in withdrawn["why"]
    assert not list((story.folder / "snippets").rglob(f"{id}.*"))


def test_one_increment_off_is_a_hand_change(tell: Tell) -> None:
    """Next to the proposed value is not the proposed value."""
    story = tell()
    proposal = story.open_proposal()
    page(story, f"{proposal['new_mm'] + 0.001:.3f}")

    assert status(story, proposal["id"]) == "withdrawn"
    assert story.events("entered") == []


@pytest.mark.parametrize("off_mm", [0.0, 0.0001, -0.0001])
def test_the_proposed_value_as_the_page_shows_it_is_an_entry(tell: Tell, off_mm: float) -> None:
    """A tenth of the least increment is a matter of how the page rounds."""
    story = tell()
    proposal = story.open_proposal()
    story.accept()
    page(story, f"{proposal['new_mm'] + off_mm:.4f}")

    assert status(story, proposal["id"]) == "entered"
    assert story.events("hand-change") == []


def test_a_value_entered_without_a_word_is_recognised(tell: Tell) -> None:
    """The operator keyed in what the snippet said and did not press accept: it is an entry all the same, by nobody."""
    story = tell()
    proposal = story.open_proposal()
    page(story, f"{proposal['new_mm']:.3f}")

    assert status(story, proposal["id"]) == "entered"
    assert story.cell.proposal(proposal["id"]).by is None


def test_an_entered_correction_is_left_to_settle(tell: Tell) -> None:
    """The parts after the entry show what it did before anything else is proposed, and the error is gone."""
    story = tell().accept().enter().cut()
    assert story.events("entered")
    assert story.verdicts()["settle"] == "hold"
    assert story.answer() != "correct"
    assert story.cut(parts=3).answer() == "leave"


def test_an_inch_page_of_diameters_is_entered_on_its_own_grid(tell: Tell) -> None:
    """Proposed in radius-valued mm, printed back as a diameter in inches: recognised without a rounding trap."""
    story = tell(unit="inch", tool_radius="diameter")
    proposal = story.open_proposal()
    assert proposal["page"]["stored_as"] == "diameter"
    story.accept().enter().cut()

    assert status(story, proposal["id"]) == "entered"
    assert story.events("hand-change") == []


def test_a_register_no_plan_looks_at_still_has_its_hand_changes_kept(tell: Tell) -> None:
    """Who changed the length of tool 9, and when, is in the history though nothing is ever proposed for it."""
    story = tell()
    story.deliver("OFFSET TOOL 9 LENGTH 0.010\n").deliver("OFFSET TOOL 9 LENGTH 0.0100\n")
    story.deliver("OFFSET TOOL 9 LENGTH 0.040\n")

    (change,) = story.events("hand-change")
    assert (change["register"], change["from"], change["to"]) == ("tool 9 length", "0.010", "0.040")
