"""Choosing limits: the front, the choice, when there is none, and the file that is proposed."""

from dataclasses import replace
from pathlib import Path

import pytest

from feedback.configuration.loading import from_texts
from feedback.replay.proposed import proposed
from feedback.replay.tuning import (
    BLOCKS,
    Scope,
    Span,
    Tried,
    compared,
    finer_settings,
    first_settings,
    front,
    judged,
    pick,
)
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
    )


WIDE, TIGHT, NARROW = (replace(NOW, band=band) for band in (0.6, 0.2, 0.1))


def test_the_front_holds_what_nothing_else_beats() -> None:
    """Neither more corrections for the same spread nor a wider one for the same corrections is shown as a choice."""
    some = [tried(NOW, 20, 5.0), tried(WIDE, 10, 8.0), tried(TIGHT, 20, 4.0), tried(NARROW, 40, 4.1)]
    assert [(one.first.corrections, one.first.rms_um) for one in front(some)] == [(10, 8.0), (20, 4.0)]


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


def test_the_search_begins_with_what_is_in_force() -> None:
    """The limits in force are one of the settings, so that every other is held against them."""
    settings = first_settings(NOW)
    assert settings[0] == NOW
    assert len(set(settings)) == len(settings) == 54
    finer = finer_settings(NOW, TIGHT)
    assert TIGHT not in finer
    assert {one.band for one in finer} == {0.2}
    assert all(one.step_um <= NOW.travel_um for one in finer)


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
