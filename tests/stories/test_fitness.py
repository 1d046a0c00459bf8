"""Is the probe fit to measure? What a shop sees when a check fails, is overdue, or a calibration went wrong."""

import json
import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest

from feedback import status
from feedback.commands.answering import lines
from feedback.errors import UsageError
from feedback.ledger.rebuild import differences
from feedback.replay.recorded import decided_again
from tests.postgres import new_database
from tests.stories.conftest import Tell
from tests.stories.parts import COVER_PLATE
from tests.stories.shop import SimulatedMachine
from tests.stories.story import RADIUS, Story

RING = """
[artefact.RING1]
kind = "ring"
size = "40.00062 mm"
uncertainty = "0.0008 mm"
material = "steel"
error_limit = "0.003 mm"
due = "{due}"
"""
SECOND_MACHINE = """
[machine.M2]
logs = "logs/M2"
unit = "mm"
tool_radius = "radius"
least_increment = "0.001 mm"
"""
GOOD = "RXP 2.9912 RXM 2.9914 RYP 2.9913 RYM 2.9911 OFFX 0.0021 OFFY -0.0008 LENGTH 147.3312 BALL 6"


def shop(tell: Tell, due: str = "8 h", limits: str = "", more: str = "", **facts: Any) -> Story:
    """A cell whose machine is checked on a ring of 40.00062 mm."""
    story = tell(limits=limits, **facts)
    configured(story, RING.format(due=due) + more)
    return story


def configured(story: Story, more: str) -> Story:
    path = story.folder / "cell.toml"
    path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")
    return story.reopen()


def when(story: Story) -> str:
    clock = story.machines["M1"].clock
    return f"DATE {clock:%Y%m%d} TIME {clock:%H%M%S}"


def ring(story: Story, error_um: float, more: str = "TEMP 20.0") -> Story:
    """The ring is probed between two parts."""
    size = 40.00062 + error_um / 1000
    return story.deliver(f"ARTEFACT RING1 ACTUAL {size:.4f} {more} {when(story)}\n")


def calibrate(story: Story, values: str) -> Story:
    return story.deliver(f"CALIBRATION PROBE 1 ARTEFACT RING1 {values} {when(story)}\n")


def probe(story: Story) -> dict[str, Any]:
    """All that is said of the only probe of M1."""
    (machine,) = story.cell.probe("M1")["machines"]
    (found,) = machine["probes"]
    return dict(found)


def state(story: Story) -> str:
    return str(probe(story)["state"])


def worn(tell: Tell, **more: Any) -> Story:
    """A good check in the morning, then wear until a correction is proposed."""
    story = ring(shop(tell, **more), 0.4)
    for _ in range(30):
        story.cut(wear_um=0.25)
        if story.answer() == "correct":
            return story
    raise AssertionError(f"no proposal in thirty parts: {story.answers_on()}")


def doubted_parts(story: Story) -> list[str]:
    frame = story.cell.measurements()
    return list(dict.fromkeys(frame.loc[frame["doubts"].notna(), "part"]))


def all_parts(story: Story) -> list[str]:
    return list(dict.fromkeys(story.cell.measurements()["part"]))


# A check that fails --------------------------------------------------------------------------------------------------


def test_a_check_that_fails_at_noon_casts_doubt_on_the_morning(tell: Tell) -> None:
    """The morning's parts are marked and listed, the open proposal is withdrawn, and status says why."""
    story = worn(tell)
    open_id = story.open_proposal()["id"]
    morning = all_parts(story)

    ring(story, 5.8)

    assert doubted_parts(story) == morning
    (doubt,) = probe(story)["doubts"]
    assert (doubt["parts_count"], doubt["parts"]) == (len(morning), morning)
    (withdrawn,) = story.events("withdrawn")
    assert withdrawn["id"] == open_id
    assert "in doubt" in withdrawn["why"]
    assert "0.00578 mm too big" in withdrawn["why"]
    assert state(story) == "failed"
    (machine,) = story.document["machines"]
    assert (machine["answer"], machine["probe"]["state"]) == ("hold", "failed")
    assert "0.00578 mm too big" in machine["probe"]["words"]
    assert not list((story.folder / "snippets" / "M1").glob("p-*"))


def test_readings_before_the_last_good_check_stay_believed(tell: Tell) -> None:
    """Doubt reaches back to the last check that passed and no further."""
    story = ring(shop(tell), 0.4).cut(parts=4)
    ring(story, -0.6).cut(parts=3)
    parts = all_parts(story)
    ring(story, 4.0)
    assert doubted_parts(story) == parts[4:]
    assert story.answer() in ("wait", "leave")


def test_an_accepted_proposal_is_flagged_and_not_withdrawn(tell: Tell) -> None:
    """What a person has accepted is theirs; the history and whoever looks at it say what it rests on."""
    story = worn(tell).accept()
    accepted = story.open_proposal()["id"]
    ring(story, 5.8)
    (flag,) = story.events("flagged")
    assert (flag["id"], flag["register"]) == (accepted, RADIUS)
    assert story.events("withdrawn") == []
    assert "0.00578 mm too big" in story.cell.proposal(accepted).doubted
    assert story.open_proposal()["doubted"] is not None
    (doubt,) = probe(story)["doubts"]
    assert doubt["proposals"] == [{"id": accepted, "register": RADIUS, "status": "accepted"}]


def test_an_accepted_proposal_in_doubt_is_not_entered(tell: Tell) -> None:
    """Its text for the control is taken away and the answer says so, until a person has lifted the doubt."""
    story = worn(tell).accept()
    snippets = story.folder / "snippets" / "M1"
    assert list(snippets.glob("p-*"))
    ring(story, 5.8)
    assert not list(snippets.glob("p-*"))
    assert story.answer() == "hold"
    assert f"do not enter proposal {story.open_proposal()['id']}" in story.decision()["reasons"][0]["words"]
    story.cell.release_probe("M1", 1, by="pe", why="chip on the ring", now=story.now())
    assert list(snippets.glob("p-*"))
    story.cut(wear_um=0.1)
    assert story.open_proposal()["doubted"] is None
    assert story.decision()["reasons"][0]["rule"] != "doubt"


def test_nothing_is_proposed_while_the_probe_fails(tell: Tell) -> None:
    """Parts cut on with a failing probe are marked as they come, and no correction rests on them."""
    story = ring(worn(tell), 5.8)
    proposed = len(story.events("proposed"))
    story.cut(parts=6, wear_um=0.25)
    assert len(story.events("proposed")) == proposed
    assert story.answer() != "correct"
    assert doubted_parts(story) == all_parts(story)


def test_a_person_lifts_the_doubt_and_proposals_resume(tell: Tell) -> None:
    """It was a chip on the ring: the person who may release says so, and the morning counts again."""
    story = ring(worn(tell), 5.8)
    answer = story.cell.release_probe("M1", 1, by="pe", why="chip on the ring, cleaned and checked", now=story.now())
    assert answer["machines"][0]["probes"][0]["doubts"] == []
    assert doubted_parts(story) == []
    (lifted,) = story.events("doubt-lifted")
    assert (lifted["by"], lifted["why"]) == ("pe", "chip on the ring, cleaned and checked")

    story.cut(parts=2, wear_um=0.25)
    assert state(story) == "fit"
    assert story.answer() == "correct"
    assert story.open_proposal()["status"] == "open"


def test_a_later_good_check_makes_fit_but_does_not_lift(tell: Tell) -> None:
    """From the passing check on readings are believed; the parts before it stay in doubt until a person says more."""
    story = ring(worn(tell), 5.8).cut(parts=2, wear_um=0.1)
    before = all_parts(story)
    ring(story, 0.2)
    assert state(story) == "fit"
    story.cut(parts=3, wear_um=0.1)
    assert doubted_parts(story) == before
    (doubt,) = probe(story)["doubts"]
    assert doubt["until"] is not None
    assert doubt["parts"] == before
    assert story.decision()["parts"] == 3


def test_the_estimate_starts_over_without_the_readings_in_doubt(tell: Tell) -> None:
    """A probe that read 6 um too big for a while leaves no trace in the trend once its readings are doubted."""
    story, calm = ring(shop(tell), 0.4).cut(parts=12), ring(shop(tell), 0.4).cut(parts=12)
    before = story.decision()["error_mm"]
    ring(story, 0.1), ring(calm, 0.1)
    for feature in ("12", "13"):
        story.machines["M1"].reprogram(feature, -6.0)
    story.cut(parts=5)
    assert abs(story.decision()["error_mm"] - before) > 0.002
    ring(story, -6.0)
    story.cut()
    assert story.decision()["error_mm"] == pytest.approx(before, abs=0.0005)
    assert story.decision()["parts"] == 12


def test_a_late_part_of_a_doubted_time_is_doubted_too(tell: Tell) -> None:
    """A log that arrives in the afternoon with parts of the morning is no better than the probe was."""
    story = ring(shop(tell), 0.4).cut(parts=3)
    late = story.machines["M1"].cut()
    story.cut(parts=2)
    ring(story, 7.0)
    story.deliver(late, file="late.txt")
    assert doubted_parts(story) == all_parts(story)
    assert len(all_parts(story)) == 6


@pytest.mark.parametrize(("by", "why", "words"), [("op1", "fine", "may not release"), ("pe", "  ", "reason")])
def test_only_a_person_with_the_right_and_a_reason_lifts(tell: Tell, by: str, why: str, words: str) -> None:
    """An operator may not, and nobody may without a word."""
    story = ring(shop(tell), 0.4).cut(parts=2)
    ring(story, 9.0)
    with pytest.raises(UsageError, match=words):
        story.cell.release_probe("M1", 1, by=by, why=why, now=story.now())
    assert state(story) == "failed"


@pytest.mark.parametrize(("machine", "number", "words"), [("M1", 1, "nothing in doubt"), ("M7", 1, "no machine 'M7'")])
def test_where_nothing_is_in_doubt_there_is_nothing_to_lift(tell: Tell, machine: str, number: int, words: str) -> None:
    """The answer names what was found; the history stays as it is."""
    story = ring(shop(tell), 0.4).cut(parts=2)
    with pytest.raises(UsageError, match=words):
        story.cell.release_probe(machine, number, by="pe", why="to be sure", now=story.now())
    assert story.events("doubt-lifted") == []


def test_a_warm_ring_passes_where_its_growth_is_counted(tell: Tell) -> None:
    """At 28 degC a steel ring of 40 mm is 3.7 um bigger: true readings of it pass, and 20 degC would have failed."""
    story = shop(tell).cut()
    ring(story, 40.00062 * 11.5e-6 * 8 * 1000, "TEMP 28.0")
    assert state(story) == "fit"
    ring(story, 40.00062 * 11.5e-6 * 8 * 1000, "TEMP 20.0")
    assert state(story) == "failed"


def test_a_drifting_probe_is_told_beside_the_answer_and_holds_nothing(tell: Tell) -> None:
    """Whoever asks for the machine's answer reads that the probe drifts before a check fails; a calibration ends it."""
    story = calibrate(shop(tell), GOOD)
    for k in range(30):
        ring(story, 0.15 * (-1) ** k + 0.12 * max(0, k - 12))
    story.cut()
    said = "\n".join(lines(story.document))
    assert state(story) == "fit"
    assert story.answer() != "hold"
    assert "look: probe 1 on RING1 drifts by +0." in said
    assert said == "\n".join(lines(status.document(story.folder)))
    story.machines["M1"].clock += timedelta(minutes=30)
    calibrate(story, GOOD).cut()
    assert "look: probe" not in "\n".join(lines(story.document))


# A check that is due -------------------------------------------------------------------------------------------------


def test_overdue_by_parts(tell: Tell) -> None:
    """After ten parts a check is due: with the eleventh nothing is proposed until one has passed."""
    story = ring(shop(tell, due="10 parts"), 0.4)
    story.cut(parts=10, wear_um=0.3)
    assert state(story) == "fit"
    assert "correct" in story.answers_on()
    story.cut(wear_um=0.3)
    assert state(story) == "due"
    assert story.answer() == "hold"
    assert story.verdicts()["doubt"] == "hold"
    assert "overdue" in story.document["machines"][0]["probe"]["words"]
    ring(story, 0.5).cut(wear_um=0.3)
    assert state(story) == "fit"
    assert story.answer() == "correct"
    assert doubted_parts(story) == []


def test_overdue_by_time(tell: Tell) -> None:
    """Eight hours after the last check nothing is proposed; the readings themselves are not in doubt."""
    story = worn(tell)
    story.machines["M1"].clock += timedelta(hours=8)
    story.cut(wear_um=0.1)
    assert state(story) == "due"
    assert story.proposal()["status"] == "withdrawn"
    assert story.answer() == "hold"
    assert doubted_parts(story) == []


def test_a_probe_that_was_never_checked_is_unknown_and_then_overdue(tell: Tell) -> None:
    """With an artefact in cell.toml the first check is due as long after the first part as any other."""
    story = shop(tell, due="12 parts").cut(parts=12, wear_um=0.3)
    assert state(story) == "unknown"
    assert "correct" in story.answers_on()
    assert "unknown" in story.open_proposal()["cautions"][0]
    story.cut(wear_um=0.3)
    assert state(story) == "due"
    assert story.answer() == "hold"


def test_without_an_artefact_proposals_carry_the_caution(tell: Tell) -> None:
    """Nobody can say whether the probe reads true: the reviewer is told, and so is the reader of the snippet."""
    story = tell().cut(parts=20, wear_um=0.3)
    found = story.open_proposal()
    assert state(story) == "unchecked"
    (caution,) = found["cautions"]
    assert "no artefact" in caution
    snippet = (story.folder / found["snippet"]).read_text(encoding="ascii").replace(")\n(... ", " ")
    assert "CAUTION - PROBE_1 IS UNCHECKED" in snippet


def test_limits_may_require_a_check(tell: Tell) -> None:
    """Where the process engineer asks for checks, an unchecked probe corrects nothing."""
    story = tell(limits='[default]\ncheck = "required"\n').cut(parts=16, wear_um=0.25)
    assert story.answer() == "hold"
    assert story.verdicts()["doubt"] == "hold"
    assert story.events("proposed") == []


def test_an_artefact_for_another_machine_is_not_asked_for(tell: Tell) -> None:
    """The ring stands on one machine; the other stays unchecked, and is not overdue."""
    story = tell()
    configured(story, SECOND_MACHINE + RING.format(due="2 parts") + 'machines = ["M1"]\n')
    story.cut(parts=4)
    states = {found["machine"]: found["state"] for found in story.cell.probe()["machines"]}
    assert states == {"M1": "due", "M2": "unchecked"}


# Calibrations --------------------------------------------------------------------------------------------------------


def test_an_incomplete_calibration_is_named_and_fails(tell: Tell) -> None:
    """One value did not arrive in the control: what is measured from then on is in doubt, what was before is not."""
    story = ring(shop(tell), 0.4).cut(parts=3)
    before = all_parts(story)
    calibrate(story, GOOD.replace(" RYM 2.9911", "")).cut(parts=2)
    assert state(story) == "failed"
    assert "missing RYM" in story.document["machines"][0]["probe"]["words"]
    assert doubted_parts(story) == all_parts(story)[len(before) :]
    calibrate(story, GOOD).cut()
    assert state(story) == "fit"


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (GOOD.replace("RYM 2.9911", "RYM"), "missing RYM (RYM printed without a value)"),
        (GOOD.replace("RYM 2.9911", "RYM NULL"), "missing RYM"),
        (GOOD.replace("2.9911", "2,9911"), "could not be read: found '2,9911'; decimals use a point"),
        (GOOD.replace("2.9911", "nan"), "could not be read: RYM: found 'nan', which no probe can measure"),
        (GOOD.replace("2.9912", "3.0040").replace("2.9914", "3.0041"), "bigger than the ball by 0.004 mm"),
        (GOOD.replace("2.9911", "2.9951"), "+Y and -Y differ by 0.0038 mm"),
        (GOOD.replace("0.0021", "0.0310"), "0.031 mm from the spindle's axis along X"),
        (re.sub(r"2\.99\d\d", "2.95", GOOD), "pre-travel 0.05 mm; wanted 0 mm to 0.03 mm"),
    ],
)  # fmt: skip
def test_every_kind_of_bad_calibration_is_answered_in_words(tell: Tell, values: str, words: str) -> None:
    """What was found, what was wanted: nothing vanishes because it could not be read."""
    story = calibrate(shop(tell).cut(), values).cut()
    found = probe(story)
    assert found["state"] == "failed"
    assert words in found["words"]
    assert found["calibration"]["result"] == "failed"


def test_a_calibration_that_finds_the_values_changed_casts_doubt_backwards(tell: Tell) -> None:
    """The ball read 6 um differently than at the last calibration: so did every part since the last good check."""
    story = calibrate(shop(tell), GOOD)
    ring(story, 0.3).cut(parts=4)
    calibrate(story, re.sub(r"2\.99(\d\d)", lambda found: f"2.98{found[1]}", GOOD))
    assert doubted_parts(story) == all_parts(story)
    assert state(story) == "failed"
    assert "changed since the last calibration" in probe(story)["words"]
    ring(story, 0.2).cut()
    assert state(story) == "fit"
    assert doubted_parts(story) == all_parts(story)[:-1]


def test_an_inch_machine_is_judged_and_answered_in_inches(tell: Tell) -> None:
    """Its control prints inches and its ring is certified in them; 0.00012 in too big is 3 um too big."""
    story = tell(SimulatedMachine("M1", COVER_PLATE, seed="inch ring", unit="inch"))
    inch_ring = (("40.00062 mm", "1.57483 in"), ("0.0008 mm", "0.00003 in"), ("0.003 mm", "0.0001 in"))
    text = RING.format(due="8 h")
    for metric, inch in inch_ring:
        text = text.replace(metric, inch)
    configured(story, text)
    values = "RXP 0.11776 RXM 0.11777 RYP 0.11776 RYM 0.11777 OFFX 0.0001 OFFY 0 LENGTH 5.8004 BALL 0.23622"
    calibrate(story, values).cut()
    story.deliver(f"ARTEFACT RING1 ACTUAL 1.57492 TEMP 20 {when(story)}\n")
    assert state(story) == "fit"
    assert "pre-travel 0.00035 in" in json.dumps(probe(story)["calibration"]["verdicts"])
    story.deliver(f"ARTEFACT RING1 ACTUAL 1.57495 TEMP 20 {when(story)}\n")
    assert probe(story)["words"] == "ring RING1 read 0.00012 in too big (limit 0.0001 in)"


def test_the_worse_of_two_probes_speaks_for_the_machine(tell: Tell) -> None:
    """Readings do not say which probe made them; lifting the doubt of one leaves the other as it is."""
    story = ring(shop(tell), 0.4).cut(parts=2)
    story.deliver(f"ARTEFACT RING1 PROBE 2 ACTUAL 40.0090 TEMP 20 {when(story)}\n")
    (machine,) = story.cell.probe("M1")["machines"]
    assert machine["state"] == "failed"
    assert [(found["probe"], found["state"]) for found in machine["probes"]] == [(1, "fit"), (2, "failed")]
    assert doubted_parts(story) == all_parts(story)
    with pytest.raises(UsageError, match="probes of M1 with readings in doubt: 2"):
        story.cell.release_probe("M1", 1, by="pe", why="to be sure", now=story.now())
    story.cell.release_probe("M1", 2, by="pe", why="probe 2 is not in use", now=story.now())
    assert doubted_parts(story) == []
    assert status.document(story.folder)["machines"][0]["probe"]["state"] == "fit"
    assert story.cut().document["machines"][0]["probe"]["state"] == "fit"


def test_a_second_probe_that_was_taken_off_is_not_overdue(tell: Tell) -> None:
    """Checks fall due for the machine's usual probe; another one counts while it is seen to fail."""
    story = shop(tell, due="4 parts")
    story.deliver(f"ARTEFACT RING1 PROBE 2 ACTUAL 40.0010 TEMP 20 {when(story)}\n")
    for _ in range(4):
        ring(story, 0.2).cut(parts=2)
    (machine,) = story.cell.probe("M1")["machines"]
    assert [(found["probe"], found["state"]) for found in machine["probes"]] == [(1, "fit"), (2, "fit")]
    assert machine["state"] == "fit"


def test_a_history_with_doubts_decides_again_as_it_did(tell: Tell, tmp_path: Path) -> None:
    """Told again with the recorded clock, checks, doubts and the person who lifted them lead to the same answers."""
    story = shop(tell)
    for _ in told(story):
        pass
    with story.cell.store.reading() as sql:
        again = decided_again(sql, story.folder, tmp_path / "scratch")
    assert again.recorded == again.same > 40
    assert again.differences == []


# A slow drift --------------------------------------------------------------------------------------------------------


def test_a_slowly_drifting_probe_is_found_before_it_fails(tell: Tell) -> None:
    """The ring's chart shows the drift while every single check still passes."""
    story, chance = shop(tell), Random("ring")
    for k in range(60):
        story.machines["M1"].clock += timedelta(minutes=30)
        ring(story, 0.3 + chance.gauss(0, 0.4) + max(0, k - 20) * 0.06)
        (chart,) = probe(story)["charts"]
        if chart["found"] in ("drift", "step"):
            break
    assert 20 < k < 50
    assert state(story) == "fit"
    assert max(map(abs, chart["error_um"])) < 3.0
    assert "calibrate" in chart["words"]
    calibrate(story, GOOD)
    ring(story, 0.2)
    (chart,) = probe(story)["charts"]
    assert (chart["found"], chart["error_um"]) == ("unknown", [pytest.approx(0.2, abs=0.06)])


# However the text comes, and whatever happens to the tool -------------------------------------------------------------


def told(story: Story) -> Iterator[str]:
    """A morning with a failing check, a repair, and parts after it; yields where the tool may be stopped."""
    ring(story, 0.4).cut(parts=10, wear_um=0.25)
    yield "morning"
    ring(story, 5.8)
    yield "failed"
    story.cut(parts=2, wear_um=0.25)
    yield "cut on"
    calibrate(story, GOOD)
    ring(story, 0.2)
    yield "repaired"
    story.cut(parts=6, wear_um=0.25)
    yield "afternoon"
    story.cell.release_probe("M1", 1, by="pe", why="the ring was dirty", now=story.now())
    yield "lifted"
    story.cut(parts=3, wear_um=0.25)
    yield "evening"


def outcome(story: Story) -> Any:
    """What stands at the end, but for names that depend on when something was said."""
    entries = [{**entry, "proposal": None} for entry in story.decisions()]
    return entries, probe(story), doubted_parts(story), story.answers_on()


def test_stopped_and_started_at_any_moment_it_goes_the_same_way(tell: Tell) -> None:
    """Whoever restarts the tool between any two events sees the same answers."""
    steady, restarted = shop(tell), shop(tell)
    for _ in told(steady):
        pass
    for _ in told(restarted):
        restarted.reopen()
    assert outcome(restarted) == outcome(steady)


def test_the_tables_say_what_the_history_says(tell: Tell) -> None:
    """Folded again, the history gives the same checks, doubts, marks and states."""
    story = shop(tell)
    for _ in told(story):
        with story.cell.store.reading() as sql:
            assert differences(sql, story.folder) == []


def test_a_day_read_at_once_is_believed_as_the_day_read_part_by_part(tell: Tell) -> None:
    """A backlog with a failing check in it doubts the same parts and reaches the same state."""
    story, backlog = shop(tell), shop(tell)
    for _ in zip(range(5), told(story), strict=False):
        pass
    for log in (story.folder / "logs/M1").iterdir():
        backlog.write(log.read_text(), file=log.name)
    backlog.machines["M1"].clock = story.machines["M1"].clock
    backlog.process()
    assert doubted_parts(backlog) == doubted_parts(story)
    assert probe(backlog)["state"] == probe(story)["state"] == "fit"
    assert backlog.decision()["error_mm"] == pytest.approx(story.decision()["error_mm"], abs=1e-4)


def test_a_log_delivered_twice_checks_the_probe_once(tell: Tell) -> None:
    """A copy of the morning's file brings no second check: the chart would look steadier than the probe is."""
    story = calibrate(shop(tell), GOOD)
    ring(story, 0.4).cut(parts=2)
    ring(story, 5.0)
    (log,) = (story.folder / "logs/M1").iterdir()
    before = probe(story)
    story.deliver(log.read_text(), file="copy.txt")
    assert probe(story) == before
    assert len(before["checks"]) == 2
    assert len(story.events("doubted")) == 1


def test_checks_that_arrive_in_a_file_of_their_own_at_night_say_the_same(tell: Tell) -> None:
    """Some shops collect the checks apart from the parts: what is in doubt depends on the times, not on the order."""
    steady, apart = shop(tell), shop(tell)
    checks = ""
    for error_um, parts in ((0.4, 3), (-0.3, 3), (6.0, 2), (0.1, 3)):
        ring(steady, error_um).cut(parts=parts)
        checks += f"ARTEFACT RING1 ACTUAL {40.00062 + error_um / 1000:.4f} TEMP 20.0 {when(apart)}\n"
        apart.cut(parts=parts)
    apart.deliver(checks, file="checks.txt")
    assert doubted_parts(apart) == doubted_parts(steady) == all_parts(steady)[3:8]
    assert (state(apart), state(steady)) == ("fit", "fit")
    assert apart.cut().decision()["error_mm"] == pytest.approx(steady.cut().decision()["error_mm"], abs=1e-4)


def test_status_says_it_without_reading_anything_else(tell: Tell) -> None:
    """The operator at the machine learns in a moment that the probe must be seen to."""
    story = ring(worn(tell), 5.8)
    (machine,) = status.document(story.folder)["machines"]
    assert (machine["answer"], machine["probe"]["state"]) == ("hold", "failed")


def test_the_same_on_postgresql(tell: Tell, postgres_address: str) -> None:
    """Check, doubt, repair and release are the same where the store is a server."""
    server, plain = shop(tell), shop(tell)
    path = Path(server.folder / "cell.toml")
    server.cell.close()
    path.write_text(path.read_text().replace('"sqlite"', f'"{new_database(postgres_address, "fitness")}"'))
    server.reopen()
    for story in (server, plain):
        for _ in told(story):
            pass
    assert json.loads(json.dumps(outcome(server))) == json.loads(json.dumps(outcome(plain)))
    with server.cell.store.reading() as sql:
        assert differences(sql, server.folder) == []
