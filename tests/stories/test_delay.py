"""Corrections that people enter later than cell.toml says."""

from tests.stories.conftest import Tell
from tests.stories.story import RADIUS, Story


def slow_shift(tell: Tell, entries: int) -> Story:
    """A cutter that loses 0.4 um a part; the operator cuts four parts after accepting before he keys anything in."""
    story = tell()
    for _ in range(100):
        story.cut(wear_um=0.4)
        if story.answer() == "correct":
            new_mm = story.accept().open_proposal()["new_mm"]
            story.cut(parts=4, wear_um=0.4)
            story.machines["M1"].enter_mm(RADIUS, new_mm)
        if len(story.events("entered")) == entries:
            return story
    raise AssertionError(f"too few corrections: {story.answers_on()}")


def test_how_long_entries_really_take_is_kept_and_looked_ahead_over(tell: Tell) -> None:
    """After three entries the expected error is that of the first part a correction will reach: five parts on."""
    story = slow_shift(tell, 3)
    assert [event["parts"] for event in story.events("entered")] == [4, 4, 4]
    seen = story.reopen().cut().decision()

    as_stated = tell()
    facts = as_stated.folder / "cell.toml"
    facts.write_text(facts.read_text(encoding="utf-8").replace("lag = 1", "lag = 4"), encoding="utf-8")
    as_stated.cell.refresh()
    for path in sorted((story.folder / "logs" / "M1").iterdir()):
        as_stated.write(path.read_text(encoding="latin-1"), file=path.name)
    as_stated.machines["M1"].clock = story.machines["M1"].clock
    assert seen["error_mm"] == as_stated.process().decision()["error_mm"]
