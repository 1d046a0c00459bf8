"""The probe finds nothing of what a tool cuts: is that told in time, and only then?"""

import re

from feedback.ledger.rebuild import differences
from tests.stories.conftest import Tell
from tests.stories.story import RADIUS, Story

BORES = ("12", "13")  # what tool 5 cuts


def part_without(story: Story, *features: str) -> str:
    """The next part as the control prints it, with these features missed."""
    text = story.machines["M1"].cut()
    for feature in features:
        text, count = re.subn(rf"(?m)^FEATURE {feature} .*$", f"MISS FEATURE {feature}", text)
        assert count == 1
    return text


def stopped(tell: Tell) -> Story:
    """Eight good parts, then one in which both bores are missing."""
    story = tell().cut(8)
    return story.deliver(part_without(story, *BORES))


def test_a_part_without_anything_a_tool_cuts_stops_the_machine(tell: Tell) -> None:
    """Neither bore was found: the answer is stop, cause tool-broken, with the part, the features and the log line."""
    story = stopped(tell)
    found = story.decision()

    assert (found["answer"], found["cause"]) == ("stop", "tool-broken")
    (words,) = [reason["words"] for reason in found["reasons"] if reason["rule"] == "broken"]
    assert "what tool 5 cuts in part " in words
    assert "12, 13" in words
    assert "M1/" in words


def test_one_missing_bore_of_two_is_no_broken_tool(tell: Tell) -> None:
    """A chip in front of one bore is waited out: the tool has cut the other one."""
    story = tell().cut(8)
    assert story.deliver(part_without(story, "12")).answer() in ("leave", "wait")


def test_the_tool_may_stay_although_the_next_part_is_good(tell: Tell) -> None:
    """Good parts afterwards do not end it by themselves: somebody has to say what it was."""
    assert stopped(tell).cut(2).answer() == "stop"


def test_a_new_tool_ends_the_stop(tell: Tell) -> None:
    """The recorded new tool is believed; its first parts are waited for as usual."""
    story = stopped(tell)
    story.machines["M1"].new_tool(5)
    assert story.cut(2).answer() != "stop"


def test_a_person_ends_the_stop(tell: Tell) -> None:
    """The program had left both bores out: who may release says so and the stop is over."""
    story = stopped(tell)
    story.cell.release(f"M1 {RADIUS}", by="pe", why="bores left out on purpose", now=story.now())
    assert story.cut().answer() != "stop"


def test_what_a_later_part_has_shown_is_old_news(tell: Tell) -> None:
    """Both parts arrive at once and the later one has its bores: nobody is stopped for what is over."""
    story = tell().cut(8)
    story.write(part_without(story, *BORES)).write(story.machines["M1"].cut())
    assert story.process().answer() != "stop"


def test_a_tool_changed_after_the_part_is_not_blamed(tell: Tell) -> None:
    """The shift has already put a new tool in when the text arrives."""
    story = tell().cut(8)
    story.write(part_without(story, *BORES)).write("NEWTOOL 5\n")
    assert story.process().answer() != "stop"


def test_the_stop_outlives_a_restart_and_can_be_told_again(tell: Tell) -> None:
    """Another process gives the same answer, and the history alone gives the same tables."""
    story = stopped(tell).reopen()
    assert story.cut().answer() == "stop"
    with story.cell.store.reading() as sql:
        assert differences(sql, story.folder) == []
