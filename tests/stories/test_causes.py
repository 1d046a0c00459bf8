"""Behaviour over time: one cause after another, told part by part."""

from decimal import Decimal

import pytest

from tests.stories.conftest import Tell
from tests.stories.parts import BEARING_BORE, COVER_PLATE, DATUM_X, DOWEL_HOLE, HINGE_BRACKET, PUMP_BODY, SEAL_BORE
from tests.stories.shop import Cut, PartPlan
from tests.stories.story import RADIUS, SMALL_PUMP_BODY, machine


def plan_of(*cuts: Cut) -> PartPlan:
    return PartPlan(**{**vars(PUMP_BODY), "cuts": cuts})


def test_steady_wear_is_corrected_downwards(tell: Tell) -> None:
    """A cutter that wears is left alone first, waited for, and then corrected towards a smaller radius, once."""
    story = tell().cut(parts=19, wear_um=0.25)

    said = story.answers_on(RADIUS)
    assert said[:3] == ["leave"] * 3
    assert said[-1] == "correct"
    assert "correct" not in said[: said.index("wait")]
    (proposed,) = story.events("proposed")[:1]
    assert -0.007 <= float(proposed["proposal"]["change"]) <= -0.002


def test_no_tool_is_blamed_for_another_ones_wear(tell: Tell) -> None:
    """While tool 5 wears, nothing is proposed for any other register."""
    story = tell(machine(plan=PUMP_BODY)).cut(parts=24, wear_um=0.25)
    assert {event["register"] for event in story.events("proposed")} == {RADIUS}


@pytest.mark.parametrize(("seed", "parts"), [("calm", 300), ("restless", 60)])
def test_noise_is_never_corrected(tell: Tell, seed: str, parts: int) -> None:
    """Over three hundred parts of nothing but scatter there is never a proposal, and the last answer is leave it."""
    story = tell(machine(seed=seed)).cut(parts=parts)
    assert story.events("proposed") == []
    assert {name: story.answer(name) for name in (RADIUS, "work 54 X")} == {RADIUS: "leave", "work 54 X": "leave"}


def test_new_edge_may_be_corrected_upwards(tell: Tell) -> None:
    """A recorded new tool that is bigger than stored is corrected in the growing direction, on three parts or more."""
    story = tell().cut(parts=12, wear_um=0.1)
    story.machines["M1"].new_tool(5, radius_um=4.5)

    story.cut(parts=2, wear_um=0.05)
    assert story.answer() in ("leave", "wait")
    story.cut(parts=8, wear_um=0.05)

    found = story.open_proposal()
    assert found["change_mm"] > 0
    assert found["cause"] == "new-edge"


def test_tool_does_not_grow(tell: Tell) -> None:
    """The same jump without a recorded new tool is held, with the reason that a tool does not grow."""
    story = tell().cut(parts=12, wear_um=0.1)
    story.machines["M1"].new_tool(5, radius_um=4.5, is_recorded=False)

    story.cut(parts=10, wear_um=0.05)

    assert story.answer() == "hold"
    assert story.verdicts()["growth"] == "hold"
    assert story.events("proposed") == []


def test_released_growth_is_proposed(tell: Tell) -> None:
    """When the process engineer releases the register, the growing correction is proposed with the next part."""
    story = tell().cut(parts=12, wear_um=0.1)
    story.machines["M1"].new_tool(5, radius_um=4.5, is_recorded=False)
    story.cut(parts=10, wear_um=0.05)

    story.cell.release(f"M1 {RADIUS}", by="pe", why="insert changed, nobody recorded it", now=story.now())
    story.cut(parts=1)

    assert story.open_proposal()["change_mm"] > 0


def test_old_wear_belongs_to_the_old_tool(tell: Tell) -> None:
    """A worn cutter close to its correction is replaced by a true one: nothing is left to correct or to propose."""
    story = tell().cut(parts=10, wear_um=0.25)
    story.machines["M1"].new_tool(5)
    story.cut(parts=10)
    assert story.answer() == "leave"
    assert story.events("proposed") == []


def test_shifted_part_moves_the_work_offset(tell: Tell) -> None:
    """A part that lies 15 um further along X than its zero is followed by the work offset, and by no tool."""
    story = tell().cut(parts=12)
    story.machines["M1"].move_part("X", 18.0)

    story.cut(parts=1)
    assert story.answer("work 54 X") != "correct"
    story.cut(parts=7)

    found = story.open_proposal("work 54 X")
    assert 0.016 <= found["change_mm"] <= 0.020
    assert found["cause"] == "part-moved"
    assert {event["register"] for event in story.events("proposed")} == {"work 54 X"}


def test_long_shift_is_cut_to_the_step(tell: Tell) -> None:
    """A shift of 35 um is proposed in a first step of 20 um, which says that it was cut short."""
    story = tell().cut(parts=12)
    story.machines["M1"].move_part("X", 35.0)
    story.cut(parts=8)
    found = story.open_proposal("work 54 X")
    assert found["change_mm"] == pytest.approx(0.020)
    assert found["was_cut"]


def test_one_chip_stops_one_part(tell: Tell) -> None:
    """One wild reading stops the run for a look, is left out of the estimate, and is over with the next good part."""
    story = tell().cut(parts=12)
    before = story.decision()["error_mm"]
    story.machines["M1"].chip("12", -60.0)

    story.cut(parts=1)
    assert story.answer() == "stop"
    story.cut(parts=3)

    assert story.answer() == "leave"
    assert story.decision()["error_mm"] == pytest.approx(before, abs=0.0008)
    assert story.events("proposed") == []


def test_small_chip_inside_tolerance_is_waited_for(tell: Tell) -> None:
    """A reading that surprises without being out of tolerance moves nothing until the next part confirms it."""
    story = tell().cut(parts=15)
    story.machines["M1"].chip("13", -16.0)
    assert story.cut(parts=1).answer() == "wait"
    assert story.cut(parts=2).answer() == "leave"


def test_conflict_is_held(tell: Tell) -> None:
    """Two bores of one cutter that lie too far apart are held, by name: one register cannot fix both."""
    springs = Cut(**{**vars(SEAL_BORE), "tolerance": "H7", "programmed_um": 12.5 + 17.0, "every": 4})
    tight = Cut(**{**vars(BEARING_BORE), "programmed_um": 10.5 - 7.0})
    story = tell(machine(plan=plan_of(tight, springs))).cut(parts=11)
    assert story.answer() == "hold"
    words = " ".join(r["words"] for r in story.decision()["reasons"] if r["rule"] == "conflict")
    assert "bearing bore" in words
    assert "seal bore" in words
    assert story.events("proposed") == []


def test_two_features_that_both_fit_share_the_margin(tell: Tell) -> None:
    """Where one bore is low and the other high but both fit, the machine is left alone between them."""
    low = Cut(**{**vars(BEARING_BORE), "programmed_um": 10.5 - 4.0})
    high = Cut(**{**vars(SEAL_BORE), "tolerance": "H7", "programmed_um": 12.5 + 6.0})
    story = tell(machine(plan=plan_of(low, high))).cut(parts=20)
    assert story.answer() == "leave"


def test_inch_machine_with_diameters(tell: Tell) -> None:
    """On a page of diameters in inches the proposed value, once keyed in, brings the bore back to the middle."""
    story = tell(machine(plan=COVER_PLATE, unit="inch", tool_radius="diameter"))
    story.cut(parts=22, wear_um=0.25, tool=2)
    story.accept("tool 2 radius").enter("tool 2 radius")
    story.cut(parts=4, wear_um=0.1, tool=2)

    assert story.events("entered")
    page = story.machines["M1"].registers["tool 2 radius"]
    assert Decimal("-0.0006") <= page <= Decimal("-0.0002")
    assert abs(story.machines["M1"].true_um(COVER_PLATE.cuts[0]) - 12.7) < 4.0


def test_feature_that_no_register_moves_stops_when_out(tell: Tell) -> None:
    """A drilled hole out of tolerance stops the run, although nothing could correct it."""
    story = tell(machine(plan=HINGE_BRACKET)).cut(parts=6)
    assert story.document["machines"][0]["answer"] == "leave"
    story.machines["M1"].reprogram(DOWEL_HOLE.id, 20.0)

    story.cut(parts=1)

    assert story.document["machines"][0]["answer"] == "stop"
    assert story.events("proposed") == []


def test_missed_probe_is_no_reading(tell: Tell) -> None:
    """A probe that does not trigger leaves no size behind, is kept on record, and changes no answer."""
    story = tell().cut(parts=10)
    story.machines["M1"].miss("12")
    story.cut(parts=1)

    assert story.answer() == "leave"
    assert len(story.cell.measurements()) == 11 * len(SMALL_PUMP_BODY.cuts) - 1


def test_unprinted_register_is_held(tell: Tell) -> None:
    """Where the log never shows what the register holds, a certain error is held: no value can be made up."""
    story = tell(machine(prints_registers=False)).cut(parts=24, wear_um=0.25)
    assert story.answer() == "hold"
    assert story.verdicts()["register-known"] == "hold"
    assert story.events("proposed") == []


def test_used_up_travel_is_held(tell: Tell) -> None:
    """A cutter whose wear has reached the shop's limit is to be changed, not corrected again."""
    limits = '[kind.tool]\nstep = "0.005 mm"\ntravel = "0.005 mm"\n'
    story = tell(limits=limits).cut(parts=20, wear_um=0.2)
    story.machines["M1"].enter(RADIUS, Decimal("-0.005"))
    story.cut(parts=20, wear_um=0.2)
    assert story.answer() == "hold"
    assert story.verdicts()["travel"] == "hold"


def test_broken_tool_stops(tell: Tell) -> None:
    """A size far from nominal is a broken tool, a wrong offset or a wrong unit: stop, and propose nothing."""
    story = tell(machine(plan=plan_of(BEARING_BORE, DATUM_X))).cut(parts=8)
    story.machines["M1"].wear(5, radius_um=400.0)
    story.cut(parts=3)
    assert story.answer() == "stop"
    assert story.decision()["cause"] == "tool-broken"
    assert story.events("proposed") == []


def test_parts_worn_out_of_tolerance_stop_the_run_with_the_cure_at_hand(tell: Tell) -> None:
    """Nobody looked for a week: every part is out of tolerance, the answer is stop, and the correction is proposed."""
    story = tell().cut(parts=90, wear_um=0.25)
    assert story.answer(RADIUS) == "stop"
    found = story.proposal(RADIUS)
    assert found is not None
    assert found["status"] == "open"
    assert found["change_mm"] < 0
