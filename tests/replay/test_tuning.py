"""Choosing limits: the front, the choice, when there is none, and the file that is proposed."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from feedback.configuration.loading import from_texts
from feedback.replay.frames import tried_row
from feedback.replay.lanes import BLOCKS
from feedback.replay.proposed import proposed
from feedback.replay.search import ROUNDS, beside_the_choice, first_settings, nearer, other_evidence, other_steps
from feedback.replay.tuning import CHOSEN_ON, Scope, Span, Tried, compared, front, judged, pick, to_expect
from feedback.simulate.scenarios import SITUATIONS
from feedback.simulate.writer import cell_texts
from rules.limits import Limits

NOW = Limits()
TOOL = Scope("tool", False)


def span(corrections: int, rms_um: float, parts: int = 300) -> Span:
    return Span(
        parts=parts,
        corrections=corrections,
        per_100=100 * corrections / parts,
        rms_um=rms_um,
        outside=0.0,
        held=0,
        stopped=0,
    )


def tried(limits: Limits, corrections: int, rms_um: float, later_um: float | None = None, parts: int = 300) -> Tried:
    """A setting with an even spread over all stretches of time, another one on the later ones if given."""
    later = rms_um if later_um is None else later_um
    squares = [rms_um**2 * 10] * 12 + [later**2 * 10 * (1 + k / 50) for k in range(8)]
    return Tried(
        limits=limits,
        first=span(corrections, rms_um, parts),
        later=span(corrections, later, parts),
        squares=tuple(squares),
        read=(10,) * BLOCKS,
        corrected=(corrections // BLOCKS,) * BLOCKS,
    )


WIDE, TIGHT, NARROW = (replace(NOW, band=band) for band in (0.6, 0.2, 0.1))


def test_the_front_holds_what_nothing_else_beats() -> None:
    """Neither more corrections for the same spread nor a wider one for the same corrections is shown as a choice."""
    some = [tried(NOW, 20, 5.0), tried(WIDE, 10, 8.0), tried(TIGHT, 20, 4.0), tried(NARROW, 40, 4.1)]
    assert [(one.first.corrections, one.first.rms_um) for one in front(some)] == [(10, 8.0), (20, 4.0)]


def test_a_worse_bargain_than_its_neighbours_is_not_on_the_front() -> None:
    """Half the spread for twice the corrections is the price; a setting that asks clearly more is not shown."""
    at = [tried(replace(NOW, band=band), *point) for band, point in ((0.4, (10, 8.0)), (0.2, (20, 4.0)))]
    fair, dear = tried(replace(NOW, band=0.3), 14, 5.8), tried(replace(NOW, band=0.3), 14, 6.4)
    assert front([*at, fair]) == [at[0], fair, at[1]]
    assert front([*at, dear]) == at


def test_settings_alike_are_shown_once() -> None:
    """One more correction for a hundredth less spread is no choice worth reading."""
    some = [tried(WIDE, 10, 8.0), tried(TIGHT, 11, 7.92), tried(NARROW, 12, 7.0)]
    assert [one.limits for one in front(some)] == [WIDE, NARROW]


def test_correcting_on_one_part_is_shown_but_not_proposed() -> None:
    """What one reading after a new edge is worth a person may see; one reading may be a chip, so it is not proposed."""
    one_part = replace(TIGHT, evidence=1)
    some = [tried(NOW, 20, 5.0), tried(replace(TIGHT, evidence=2), 20, 4.5), tried(one_part, 20, 4.0)]
    assert [one.limits for one in front(some)] == [one_part]
    assert pick(some, "tighter").limits.evidence == 2
    own = [tried(replace(NOW, evidence=1), 20, 5.0), *some[1:]]
    assert pick(own, "tighter").limits == one_part


def test_tighter_costs_no_correction_and_fewer_costs_no_spread() -> None:
    """What is picked is no worse than the limits in force in one thing and best in the other."""
    some = [tried(NOW, 20, 5.0), tried(WIDE, 12, 4.9), tried(TIGHT, 20, 4.0), tried(NARROW, 40, 3.0)]
    assert pick(some, "tighter").limits == TIGHT
    assert pick(some, "fewer").limits == WIDE


def test_no_limit_is_changed_for_nothing() -> None:
    """A wider step that makes no difference to the parts would only be one more thing to defend."""
    wider = replace(TIGHT, step_um=40.0)
    some = [
        tried(NOW, 20, 5.0),
        tried(wider, 20, 3.99),
        tried(TIGHT, 20, 4.0),
        tried(replace(TIGHT, settle=1), 20, 4.0),
    ]
    assert pick(some, "tighter").limits == TIGHT
    assert pick([tried(NOW, 20, 5.0), tried(TIGHT, 20, 4.97)], "tighter").limits == NOW


def test_what_is_tighter_on_the_later_parts_too_is_chosen() -> None:
    """A choice stands once parts that it has not seen agree; the words give the interval."""
    found = judged(TOOL, [tried(NOW, 20, 5.0), tried(TIGHT, 20, 4.0)], "tighter")
    assert found.chosen is not None
    assert found.chosen.limits == TIGHT
    assert "RMS 5.00 -> 4.00 um (x 0.80, 95 % interval 0.80 to 0.80)" in found.words
    assert "of other parts expect RMS 3.9 to 4.1 um with 6.7 to 6.7 corrections for 100" in found.words


def test_what_the_later_parts_do_not_confirm_is_not_chosen() -> None:
    """Limits that served only the parts they were chosen on would be luck put in force."""
    found = judged(TOOL, [tried(NOW, 20, 5.0), tried(TIGHT, 20, 4.0, later_um=5.1)], "tighter")
    assert found.chosen is None
    assert "keep the limits in force" in found.words


def test_a_short_past_chooses_nothing() -> None:
    """With a shift's worth of parts the search would fit the noise."""
    found = judged(TOOL, [tried(NOW, 20, 5.0, parts=60), tried(TIGHT, 20, 4.0, parts=60)], "tighter")
    assert found.chosen is None
    assert found.words.startswith("too short to choose: 60 parts to choose on and 60 to judge on; wanted 100 of each")


def test_a_stable_process_chooses_nothing() -> None:
    """Where hardly any setting corrects, no setting can be told from another."""
    found = judged(TOOL, [tried(NOW, 1, 1.00), tried(TIGHT, 3, 0.99)], "tighter")
    assert found.chosen is None
    assert "too stable to choose: no setting corrects more than 3 times" in found.words


def test_limits_that_would_be_chosen_again_are_kept() -> None:
    """A search that finds what is in force says so and proposes no file."""
    found = judged(TOOL, [tried(NOW, 20, 4.0), tried(WIDE, 10, 8.0)], "tighter")
    assert found.chosen is None
    assert "the limits in force are the ones the search would choose" in found.words


def test_the_interval_is_wide_where_stretches_differ() -> None:
    """Eight uneven stretches tell less than eight alike; the interval says so."""
    even, other = tried(NOW, 20, 5.0), tried(TIGHT, 20, 4.0)
    later = [one * (4.0 if k % 4 == 0 else 0.5) for k, one in enumerate(other.squares[12:])]
    uneven = replace(other, squares=(*other.squares[:12], *later))
    narrow, wide = compared(other, even), compared(uneven, even)
    assert narrow[2] - narrow[1] < 0.01
    assert wide[2] - wide[1] > 0.3


def test_what_to_expect_holds_in_nineteen_of_twenty() -> None:
    """Of other parts of the same process the stated range is right as often as it says, new edges and all."""
    rng = np.random.default_rng(20261125)
    inside = []
    for _ in range(400):
        squares, corrected = rng.gamma(2.0, 125.0, BLOCKS), rng.poisson(8.0, BLOCKS)  # of 10 readings: RMS 5
        later = Span(
            parts=80,
            corrections=int(corrected[CHOSEN_ON:].sum()),
            per_100=float(corrected[CHOSEN_ON:].sum()) / 0.8,
            rms_um=float(np.sqrt(squares[CHOSEN_ON:].sum() / 80)),
            outside=0.0,
            held=0,
            stopped=0,
        )
        one = replace(tried(NOW, 20, 5.0), later=later, squares=tuple(squares), corrected=tuple(corrected))
        rms, corrections = to_expect(one)
        inside.append((rms[0] <= 5.0 <= rms[1], corrections[0] <= 80.0 <= corrections[1]))
    assert np.mean(inside, axis=0) == pytest.approx(0.95, abs=0.035)


def test_nothing_is_promised_from_nothing() -> None:
    """Where the later parts saw no correction, how many there will be is not known."""
    calm = replace(tried(NOW, 20, 5.0), corrected=(1,) * CHOSEN_ON + (0,) * (BLOCKS - CHOSEN_ON))
    assert to_expect(calm)[1] == (0.0, float("inf"))
    found = judged(
        TOOL, [replace(calm, limits=NOW), replace(tried(TIGHT, 20, 4.0), corrected=calm.corrected)], "tighter"
    )
    assert found.words.endswith("too little there to say what to expect of other parts")
    assert tried_row(calm)["expect_per_100_high"] is None


def test_the_search_begins_with_what_is_in_force() -> None:
    """The limits in force are one of the settings, so that every other is held against them."""
    settings = first_settings(NOW)
    assert settings[0] == NOW
    assert len(set(settings)) == len(settings) == 54


def test_the_search_goes_on_along_the_front() -> None:
    """Between the settings of the grid and on other evidence, at both ends: not only around what would be chosen."""
    some = [tried(NOW, 20, 5.0), tried(WIDE, 10, 8.0), tried(NARROW, 40, 3.0)]
    evidence = other_evidence(some, "tighter")
    assert {(one.band, one.evidence) for one in evidence} >= {(0.6, 1), (0.6, 2), (0.1, 1), (0.1, 5)}
    finer = nearer(some, "tighter")
    assert {one.band for one in finer} >= {0.55, 0.70, 0.12}
    assert {one.confidence for one in finer} == {0.99, 0.95}
    steps = other_steps(some, "tighter")
    assert {(one.settle, one.step_um) for one in steps} >= {(1, 20.0), (4, 40.0)}
    assert {one.band for one in steps} == {NOW.band}
    assert all(one.step_um <= NOW.travel_um for one in steps)


def test_around_the_choice_limits_are_moved_together() -> None:
    """A wider band can pay for a correction on two parts; moved one at a time neither would look better."""
    found = beside_the_choice([tried(NOW, 20, 5.0), tried(WIDE, 10, 8.0)], "tighter")
    assert replace(NOW, band=0.35, evidence=2, confidence=0.95) in found
    assert {one.band for one in found} == {0.27, 0.30, 0.35}
    assert NOW not in found


def test_no_setting_is_tried_twice() -> None:
    """A second look at the same past gives the same result and only costs time."""
    some = [tried(NOW, 20, 5.0), tried(WIDE, 10, 8.0), tried(NARROW, 40, 3.0)]
    for settings in ROUNDS:
        found = settings(some, "fewer")
        assert len(set(found)) == len(found)
        assert not {one.limits for one in some} & set(found)
        some += [tried(one, 30, 9.0) for one in found]


TEXT = """\
# Our own limits.
[default]
band = "30 %"   # as agreed with quality
step = "0.020 mm"

[kind.work]
step = "0.010 mm"  # castings
"""


@pytest.mark.parametrize("text", [TEXT, "", '[kind.tool]\nband = "40 %" # roughing\n'])
def test_the_proposed_file_keeps_what_was_written_and_gives_reasons(text: str) -> None:
    """A process engineer reads their own file again, with the new numbers and why; it can be put in place as it is."""
    chosen = replace(NOW, band=0.15, step_um=5.0, evidence=2, confidence=0.9)
    tuned = judged(TOOL, [tried(NOW, 20, 5.0), tried(chosen, 20, 4.0)], "tighter")
    written = proposed(text, [tuned])
    for kept in ("# Our own limits.", "# as agreed with quality", "# castings"):
        assert (kept in written) == (kept in text)
    lines = [line for line in written.splitlines() if line.startswith('band = "15 %"')]
    assert len(lines) == 1
    assert "was 30 %; chosen on 300 parts, 20 corrections, RMS 4.00 um" in lines[0]
    scenario = SITUATIONS["steady"]
    limits = from_texts(Path("cell"), {**cell_texts(scenario), "limits.toml": written}).limits
    tool = limits.kinds["tool"]
    assert (tool.band, tool.step_um, tool.evidence, tool.confidence) == (0.15, 5.0, 2, 0.9)
    assert limits.kinds["work"].band == 0.30


def test_one_register_gets_a_table_of_its_own() -> None:
    """What was searched for one tool is proposed for that tool alone."""
    tuned = judged(Scope("M1 tool 5 radius", True), [tried(NOW, 20, 5.0), tried(TIGHT, 20, 4.0)], "tighter")
    written = proposed("", [tuned])
    assert '[register."M1 tool 5 radius"]\nband = "20 %" #' in written


def test_nothing_chosen_proposes_the_file_as_it_is() -> None:
    """Where no choice is made there is nothing to read."""
    tuned = judged(TOOL, [tried(NOW, 20, 4.0), tried(WIDE, 10, 8.0)], "tighter")
    assert proposed(TEXT, [tuned]) == TEXT
