"""Parts that are warm when they are probed."""

import pytest

from tests.stories.conftest import Tell
from tests.stories.parts import DATUM_X, PUMP_BODY
from tests.stories.shop import Cut, PartPlan
from tests.stories.story import RADIUS, machine

FLANGE = Cut(
    id="15", name="flange", kind="boss", nominal="100", tolerance=("-0.020", "+0.020"), tool=5, sd_um=1.0
)  # fmt: skip
FLANGED = PartPlan(**{**vars(PUMP_BODY), "cuts": (FLANGE, DATUM_X)})


def test_a_hot_part_is_not_corrected(tell: Tell) -> None:
    """The coolant fails from one part to the next: 100 mm of aluminium at 25 degC read 12 um too big, nothing is due.

    The reading is brought to 20 degC with the TEMP printed beside it; no correction is proposed and nobody is stopped.
    """
    hot = machine(plan=FLANGED, part_temperature_c=20.0)
    story = tell(hot).cut(parts=12)
    hot.part_temperature_c = 25.0

    story.cut(parts=12)

    assert story.events("proposed") == []
    assert set(story.answers_on(RADIUS)) == {"leave"}
    warm = story.cell.measurements("M1").query("feature == '4101/15'")
    assert float(warm["actual"].iloc[-1]) == pytest.approx(100.0118, abs=0.004)
    assert abs(float(warm["deviation_um"].iloc[-1])) < 4.0


def test_what_the_temperature_would_have_done_to_the_tool(tell: Tell) -> None:
    """Told that the control compensates, the tool believes the same log: it would have made a good cutter smaller."""
    hot = machine(plan=FLANGED, part_temperature_c=20.0)
    story = tell(hot)
    path = story.folder / "cell.toml"
    facts = 'tool_radius = "radius"\n'
    path.write_text(path.read_text("utf-8").replace(facts, f'{facts}temperature = "compensated"\n'), "utf-8")
    story.cell.refresh()
    story.cut(parts=12)
    hot.part_temperature_c = 25.0

    story.cut(parts=12)

    assert float(story.events("proposed")[0]["proposal"]["change"]) < -0.004


def test_wear_is_still_seen_on_warm_parts(tell: Tell) -> None:
    """What is taken off is the warmth alone: a cutter that wears is corrected by as much as on cold parts."""
    changes = []
    for celsius in (20.0, 27.0):
        story = tell(machine(plan=FLANGED, part_temperature_c=celsius)).cut(parts=30, wear_um=0.35)
        changes.append(story.events("proposed")[0]["proposal"]["change"])

    assert changes[0] == changes[1]
    assert float(changes[0]) < 0


def test_a_dead_thermometer_stops_corrections_with_words(tell: Tell) -> None:
    """A thermometer that prints 0.0 puts every reading in doubt rather than micrometres on the tool."""
    story = tell(machine(plan=FLANGED, part_temperature_c=20.0)).cut(parts=8)

    story.machines["M1"].part_temperature_c = None
    text = story.machines["M1"].cut()
    story.deliver("".join(f"{line} TEMP 0.0\n" if "FEATURE" in line else f"{line}\n" for line in text.splitlines()))

    assert "0 degC" in next(r["words"] for r in story.decision()["reasons"] if r["rule"] == "doubt")
    assert story.events("proposed") == []
