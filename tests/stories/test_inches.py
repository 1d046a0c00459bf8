"""An inch machine's operator reads inches: what is proposed, why, and what became of it."""

import json
import re
from decimal import Decimal

import pytest

from feedback.inches import in_own_unit
from tests.board.serving import Served
from tests.commands.saying import trueup
from tests.stories.conftest import Tell
from tests.stories.parts import COVER_PLATE
from tests.stories.story import Story, machine

RADIUS = "tool 2 radius"
SIDES = ("lower", "upper")
MICROMETRES = re.compile(r"[\d.] um\b")


@pytest.fixture
def inches(tell: Tell) -> Story:
    """A machine in inches that keeps cutter diameters; tool 2 has worn until its correction was proposed."""
    story = tell(machine(plan=COVER_PLATE, unit="inch", tool_radius="diameter"))
    story.machines["M1"].wear(2, radius_um=-1.2)
    for _ in range(40):
        story.cut(tool=2, wear_um=0.3)
        if story.proposal(RADIUS) is not None:
            return story
    raise AssertionError(story.decision(RADIUS))


def test_status_gives_its_reasons_in_inches(inches: Story) -> None:
    """Beside the page in inches the reasons speak of inches too; what is kept stays in millimetres."""
    said = trueup("status", cell=inches.folder).out
    assert re.search(r"predicted error \+0\.000\d\d in, band 0\.0000\d in", said), said
    assert not MICROMETRES.search(said)
    error_mm = inches.decision(RADIUS)["error_mm"]
    assert f"predicted error +{error_mm / 25.4:.5f} in" in said


def test_what_is_shown_of_a_proposal_is_in_inches(inches: Story) -> None:
    """Every rule says its amounts in inches to whoever looks at the proposal."""
    proposal = inches.open_proposal(RADIUS)
    said = trueup("show", proposal["id"], cell=inches.folder).out
    assert not MICROMETRES.search(said)
    for feature in proposal["features"]:
        before, after = (feature[f"{name}_mm"] / 25.4 for name in ("before", "after"))
        assert f"feature {feature['id']}: {before:+.5f} -> {after:+.5f} in " in said
    assert " mm" not in said


def test_the_pictures_are_in_inches(inches: Story) -> None:
    """Readings, limits and the register's changes, in the picture and in plain characters."""
    proposal = inches.open_proposal(RADIUS)
    page = proposal["page"]
    drawn = "\n".join((inches.cell.picture(proposal["id"]), *inches.cell.plot(proposal["id"])))
    assert f"{page['now']} to {page['new']} inch diameter" in drawn
    limits = {f"limit {feature[f'{side}_mm'] / 25.4:+.5f} in" for feature in proposal["features"] for side in SIDES}
    assert all(words in drawn for words in limits)
    assert "deviation from nominal, in<" in drawn
    assert not re.search(r"\d (um|mm)\b|\de-\d", drawn)


def test_the_board_shows_features_and_chart_in_inches(inches: Story) -> None:
    """The panel beside the machine speaks its unit."""
    proposal = inches.open_proposal(RADIUS)
    first = proposal["features"][0]
    with Served(inches.folder, now=lambda: inches.now("M1")) as board:
        shown = board.ask(f"/proposal/{proposal['id']}").text
        asked = f"?machine=M1&name={RADIUS.replace(' ', '%20')}"
        chart = json.loads(board.ask(f"/register/points{asked}").body)
        register = board.ask(f"/register{asked}").text
    assert f"{first['before_mm'] / 25.4:+.5f} → {first['after_mm'] / 25.4:+.5f}" in shown
    assert "Deviations from nominal (in)." in shown
    assert {feature["unit"] for feature in chart["features"]} == {"in"}
    assert chart["features"][0]["upper"] == pytest.approx(first["upper_mm"] / 25.4, abs=1e-6)
    assert f"{proposal['page']['now']} → {proposal['page']['new']} inch diameter" in register


def test_the_history_shows_the_page_of_the_control(inches: Story) -> None:
    """Proposed, entered and changed by hand: the numbers are those of the diameter page, in inches."""
    page = inches.open_proposal(RADIUS)["page"]
    inches.accept(RADIUS).enter(RADIUS).cut(tool=2)
    inches.machines["M1"].enter("tool 2 radius", Decimal("-0.0010"))
    inches.cut(tool=2)
    proposed, entered, by_hand = (
        next(line for line in trueup("history", cell=inches.folder).out.splitlines() if f" {kind} " in line)
        for kind in ("proposed", "entered", "hand-change")
    )
    assert f"{page['now']} -> {page['new']} inch diameter ({page['change']} inch)" in proposed
    assert f"now {page['new']} inch diameter" in entered
    assert f"{page['new']} -> -0.0010 inch diameter" in by_hand


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("predicted error +4.2 um, band 1.9 um", "predicted error +0.00017 in, band 0.00007 in"),
        ("-25.4 um asked", "-0.00100 in asked"),
        ("drifts by +0.276 um a check", "drifts by +0.000011 in a check"),
        ("0.0 um of travel left", "0.00000 in of travel left"),
        ("-0.1 um", "0.00000 in"),
        ("by 0.0061 deg, see M1/um.txt:3", "by 0.0061 deg, see M1/um.txt:3"),
    ],
)
def test_amounts_in_words_are_said_in_inches(words: str, told: str) -> None:
    """25.4 um are a thousandth (exact by definition, international inch of 1959); angles and names stay."""
    assert in_own_unit(words, "inch") == told
    assert in_own_unit(words, "mm") == words
