"""The tool setter beside the probe: broken tools, surer corrections, and a setter that is itself wrong."""

from typing import Any

import pytest

from tests.stories.conftest import Tell
from tests.stories.parts import HINGE_BRACKET
from tests.stories.story import RADIUS, Story, machine


def setter_line(story: Story, tool: int = 5, radius_um: float = 0.0, length_um: float = 0.0, on: str = "M1") -> str:
    """What the setter prints of the tool as it is now, off by so much."""
    cutter = story.machines[on].tools[tool]
    length = 132.4412 - (cutter.length_lost_um - length_um) / 1000
    radius = 5.0 - (cutter.radius_lost_um - radius_um) / 1000
    return f"SETTER TOOL {tool} LENGTH {length:.4f} RADIUS {radius:.4f}\n"


def look(story: Story, tool: int = 5) -> Story:
    """The tool is measured on the setter, and the line is read at once."""
    return story.deliver(setter_line(story, tool))


def held(story: Story) -> list[dict[str, Any]]:
    return [event for event in story.events("locked") if event.get("until") == "new-tool"]


def broken(tell: Tell) -> Story:
    """Tool 5 has lost 0.4 mm between two parts, and the setter has seen it."""
    story = look(tell().cut(parts=6))
    story.machines["M1"].wear(5, radius_um=400.0)
    return look(story)


def test_a_broken_tool_is_found_before_the_next_part(tell: Tell) -> None:
    """The part after the break would be scrap: the answer is stop with the setter's line, before that part is cut."""
    story = broken(tell)
    found = story.decision()
    assert (found["answer"], found["cause"]) == ("stop", "tool-broken")
    said = next(reason for reason in found["reasons"] if reason["rule"] == "broken")
    assert "0.4 mm smaller" in said["words"]
    lines = story.file().read_text(encoding="latin-1").count("\n")
    assert f"{story.file().name}:{lines})" in said["words"]
    assert story.answer("work 54 X") == "leave"


def test_a_good_reading_afterwards_does_not_end_it(tell: Tell) -> None:
    """Somebody blew the chip off, or the setter was wrong: a person says so, not the next reading."""
    story = broken(tell)
    story.machines["M1"].wear(5, radius_um=-400.0)
    look(look(story)).cut(parts=2)
    assert story.answer() == "stop"
    assert len(held(story)) == 1


def test_a_new_tool_ends_it_at_once(tell: Tell) -> None:
    """NEWTOOL alone, before any part: the answer is no longer stop, and nothing is locked."""
    story = broken(tell)
    story.machines["M1"].new_tool(5, is_recorded=False)
    story.deliver("NEWTOOL 5\n")
    assert story.answer() != "stop"
    assert "locked" not in story.decision()
    assert look(story).cut(parts=3).answer() != "stop"


def test_a_release_ends_it_at_once(tell: Tell) -> None:
    """A person who has looked says that the tool is fine: the next part may be cut."""
    story = broken(tell)
    story.machines["M1"].wear(5, radius_um=-400.0)
    look(story)
    story.cell.release(f"M1 {RADIUS}", by="pe", why="chip on the setter", now=story.now())
    story.document = story.cell.document()
    assert story.answer() == "wait"
    look(story).cut(parts=2)
    assert story.answer() == "leave"
    assert len(held(story)) == 1


def test_an_open_proposal_ends_with_the_tool(tell: Tell) -> None:
    """What was proposed for the worn tool is not for the broken one."""
    story = look(tell().cut(parts=19, wear_um=0.25))
    assert story.open_proposal()["status"] == "open"
    story.machines["M1"].wear(5, radius_um=400.0)
    look(story)
    found = story.proposal()
    assert found is not None
    assert found["status"] == "withdrawn"


def test_a_new_tool_mends_the_break_only(tell: Tell) -> None:
    """A register locked because a correction went the wrong way stays locked when a broken tool is replaced."""
    story = tell(machine(acting={RADIUS: -1.0})).cut(parts=14)
    story.machines["M1"].enter_mm(RADIUS, -0.003)
    look(story.cut(parts=5))
    assert "wrong way" in story.decision()["locked"]
    story.machines["M1"].wear(5, radius_um=400.0)
    assert look(story).answer() == "stop"
    story.deliver("NEWTOOL 5\n")
    assert "wrong way" in story.decision()["locked"]
    assert story.answer() == "hold"


def test_a_tool_that_no_plan_corrects_is_watched_too(tell: Tell) -> None:
    """A drill has no register that a plan looks at; when it breaks, the machine's answer is stop all the same."""
    story = tell(machine(plan=HINGE_BRACKET)).cut(parts=3)
    look(story, tool=12)
    story.machines["M1"].wear(12, length_um=5000.0)
    look(story, tool=12)
    assert story.answer("tool 12 length") == "stop"
    assert story.document["machines"][0]["answer"] == "stop"
    story.deliver("NEWTOOL 12\n")
    assert story.answer("tool 12 length") == "leave"


@pytest.mark.parametrize("mended", ["", "NEWTOOL 5\n"])
def test_a_restart_changes_nothing_about_a_break(tell: Tell, mended: str) -> None:
    """Stopped and started between all looks: the same stop, once, and the same end."""
    story = look(tell().cut(parts=6)).reopen()
    story.machines["M1"].wear(5, radius_um=400.0)
    look(story).reopen()
    if mended:
        story.machines["M1"].new_tool(5, is_recorded=False)
        story.deliver(mended).reopen()
    look(story).cut(parts=1)
    assert len(held(story)) == 1
    assert (story.answer() == "stop") == (not mended)


def test_a_backlog_stops_where_the_tool_stayed_broken(tell: Tell) -> None:
    """Read at once, the log of a break gives the stop; the log of a break and a new tool gives none."""
    live = broken(tell)
    text = live.file().read_text(encoding="latin-1")
    late, mended = tell(), tell()
    for story, more in ((late, ""), (mended, "NEWTOOL 5\n")):
        story.machines["M1"].clock = live.machines["M1"].clock
        story.deliver(text + more)
    assert late.answer() == "stop"
    assert mended.answer() != "stop"
    assert len(held(mended)) == 1
