"""Parts so near to a limit that the probe cannot tell whether they are good."""

from feedback.board.columns import columns
from tests.stories.conftest import Tell
from tests.stories.parts import BEARING_BORE, PUMP_BODY
from tests.stories.shop import Cut, PartPlan
from tests.stories.story import RADIUS, Story, machine

RING = """
[artefact.RING1]
kind = "ring"
size = "40.00062 mm"
uncertainty = "0.0016 mm"
material = "steel"
error_limit = "0.003 mm"
"""
# 25 H7 ends at +21 um; 0.8 um of the ring and 0.8 um of repeats make u = 1.2 um with the part's warmth, the guard 2 um.
TIGHT = Cut(**{**vars(BEARING_BORE), "programmed_um": 20.2, "sd_um": 0.05})
NEAR_THE_LIMIT = PartPlan(**{**vars(PUMP_BODY), "cuts": (TIGHT,)})


def _tolerance_words(story: Story) -> tuple[str, str]:
    (reason,) = (reason for reason in story.decision(RADIUS)["reasons"] if reason["rule"] == "tolerance")
    return reason["verdict"], reason["words"]


def test_a_part_that_cannot_be_shown_to_be_good_is_inspected(tell: Tell) -> None:
    """With a certified ring and a measured repeatability, 0.8 um inside the limit is not proof: stop and inspect."""
    story = tell(machine(plan=NEAR_THE_LIMIT))
    with (story.folder / "cell.toml").open("a", encoding="utf-8") as file:
        file.write(RING)
    story.cell.refresh()

    story.cut(parts=1)

    verdict, words = _tolerance_words(story)
    assert (verdict, story.answer()) == ("stop", "stop")
    assert "inside its upper limit +21.0 um, within the guard band of 2." in words
    assert "the probe cannot show that it is good; inspect the part" in words
    (panel, *_), marks = story.cell.trend("M1", RADIUS, 10)
    assert f"within the guard band of {panel.guard:.1f} um" in words  # the picture has the band that stopped the part
    (shown,) = columns([panel], marks, story.cell.configuration.time_zone)["features"]
    assert shown["guard"] == round(panel.guard, 2)


def test_without_a_known_uncertainty_the_bare_limit_holds(tell: Tell) -> None:
    """The same part in a shop that has no certified ring is inside its limits."""
    story = tell(machine(plan=NEAR_THE_LIMIT)).cut(parts=1)

    assert _tolerance_words(story) == ("clear", "every reading of this part is inside its limits")
    (panel, *_), _ = story.cell.trend("M1", RADIUS, 10)
    assert panel.guard == 0
