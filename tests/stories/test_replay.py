"""The process engineer tries limits on last month's parts, and finds them again in the shop."""

from pathlib import Path

import pytest

import feedback
from feedback.replay import replaying
from feedback.replay.recorded import decided_again
from feedback.simulate.scenarios import SITUATIONS
from tests.replay.shop import closed_loop
from tests.stories.story import RADIUS, Story


def test_a_replay_keeps_its_promise(tmp_path: Path) -> None:
    """What other limits are said to give on this past is what the same shop gets when it adopts them."""
    tighter = '[default]\nband = "20 %"\naim = "100 %"\nconfidence = "90 %"\n'
    before, after, limits = tmp_path / "before", tmp_path / "after", tmp_path / "tighter.toml"
    closed_loop(before, SITUATIONS["steady"], seed=9, parts=80)
    closed_loop(after, SITUATIONS["steady"], seed=9, parts=80, limits=tighter)
    limits.write_text(tighter)
    with feedback.open_cell(before) as one, feedback.open_cell(after) as other:
        promised = replaying.replay(one, limits=limits, recorded=False)
        came = replaying.replay(other, recorded=False)
    assert [turn.replayed for turn in promised.turns if turn.replayed] == [turn.real for turn in came.turns]
    assert len(came.turns) > 8
    for said, line in zip(promised.lines, came.lines, strict=True):
        assert said.rms_um_replayed == pytest.approx(line.rms_um, abs=1e-6)
        assert said.corrections_replayed == line.corrections
        assert said.room_um_replayed == pytest.approx(line.room_um, abs=1e-6)


def test_a_shift_in_which_everything_happens_decides_again_as_it_did(tmp_path: Path) -> None:
    """Rejected, restarted, changed by hand, late, a new tool, a backlog: told again, nothing is decided otherwise."""
    story = Story(tmp_path / "cell").cut(parts=16, wear_um=0.3)
    story.reject().reopen().cut(parts=4, wear_um=0.3)
    story.machines["M1"].enter_mm(RADIUS, -0.002)
    story.cut(parts=3, wear_um=0.3)
    late = story.machines["M1"].cut()
    story.cut(parts=5, wear_um=0.3).deliver(late, file="late.txt").cut(parts=4, wear_um=0.3)
    story.reopen()
    story.machines["M1"].new_tool(5, radius_um=4.0)
    for _ in range(3):
        story.write(story.machines["M1"].cut())
    story.process().cut(parts=6, wear_um=0.3)
    with story.cell.store.reading() as sql:
        compared = decided_again(sql, story.folder, tmp_path / "scratch")
    story.cell.close()
    assert compared.recorded > 70
    assert compared.same == compared.recorded
    assert not compared.differences


def test_a_correction_that_came_late_is_replayed_as_late(tmp_path: Path) -> None:
    """More parts than usual were cut before it was keyed in: the replay counts on that, not on what was stated."""
    story = Story(tmp_path / "cell").cut(parts=3, wear_um=0.3)
    while story.answer() != "correct":
        story.cut(wear_um=0.3)
    story.accept()
    proposed = story.open_proposal()["part"]
    entered = story.open_proposal()["new_mm"]
    story.cut(parts=4, wear_um=0.3)
    story.machines["M1"].enter_mm(RADIUS, entered)
    story.cut(parts=6, wear_um=0.3)
    found = replaying.replay(story.cell, recorded=False)
    story.cell.close()
    (turn,) = [one for one in found.turns if one.register == RADIUS and one.part == proposed]
    assert turn.real == turn.replayed
    (one,) = [group for group in found.groups if str(group.past.group.registers[0]) == RADIUS]
    assert not one.extra_um.any()
