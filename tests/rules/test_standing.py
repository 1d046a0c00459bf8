"""Open proposals: standing or withdrawn."""

from typing import Any

import pytest

from rules.cases import Case, case, feature
from rules.engine import decide
from rules.limits import Limits
from rules.standing import still_stands

WEAR: dict[str, Any] = {"slope_um": 0.5, "slope_sd_um": 0.1}


def answer(proposed_um: float, situation: Case) -> str | None:
    return still_stands(proposed_um, situation.evidence, situation.limits)


@pytest.mark.parametrize(
    ("proposed", "situation"),
    [
        (-7.0, case()),
        (-6.0, case(feature(-16.0))),
        (-8.0, case(feature(-12.0))),
        (-7.0, case(feature(sd_um=5.0))),
        (-7.0, case(parts=2)),
        (-7.0, case(moving="feature 12 read 35.1 um away from what was expected")),
        (-7.0, case(feature(last_um=-2.0))),
        (-7.0, case(**WEAR)),
        (-20.0, case(feature(-70.0))),
        (-10.0, case(feature(-70.0), travel_um=-140.0)),
        (7.0, case(feature(14.0), new_tool_recorded=True)),
    ],
)
def test_a_proposal_stands_while_it_would_still_bring_the_part_home(proposed: float, situation: Case) -> None:
    """More parts, a surprise, a part out of tolerance or a cut-short step do not by themselves take it back."""
    assert answer(proposed, situation) is None


@pytest.mark.parametrize(
    ("proposed", "situation", "words"),
    [
        (-7.0, case(feature(-2.0)), "the predicted error +1.0 um is back inside the band 1.6 um"),
        (7.0, case(), "the predicted error +7.0 um now asks for the other direction"),
        (0.0, case(), "the predicted error +7.0 um now asks for the other direction"),
        (-7.0, case(feature(float("nan"))), "there is no estimate of the error any more"),
        (-4.0, case(), "-4.0 um would leave +3.0 um of the predicted error +7.0 um, more than 2.4 um"),
        (-10.0, case(), "-10.0 um would leave -3.0 um of the predicted error +7.0 um, more than 2.4 um"),
        (-20.0, case(feature(-70.0), limits=Limits(step_um=10.0)), "-20.0 um would leave"),
        (-7.0, case(doubt="ring RING1 read 6.0 um too big"), "doubt: the measurements are in doubt"),
        (-7.0, case(parts_since_change=0), "settle: 0 of the 2 parts"),
        (-7.0, case(locked="wrong way"), "lock: locked until"),
        (-7.0, case(feature(last_um=900.0)), "plausible: feature 12"),
        (7.0, case(feature(14.0)), "growth: +7.0"),
        (-7.0, case(now=None), "register-known: "),
    ],
)
def test_a_proposal_is_withdrawn_with_the_reason(proposed: float, situation: Case, words: str) -> None:
    """What was right when it was made is taken back when it is not right any more, and the operator reads why."""
    withdrawn = answer(proposed, situation)

    assert withdrawn is not None
    assert withdrawn.startswith(words)


@pytest.mark.parametrize(
    "situation",
    [case(), case(**WEAR), case(feature(-70.0)), case(feature(-14.0), feature(-9.0, id="13"), **WEAR)],
)
def test_a_fresh_proposal_stands(situation: Case) -> None:
    """What has just been proposed is not withdrawn on the same evidence."""
    step = decide(situation.evidence, situation.limits).step

    assert step is not None
    assert answer(float(step.change) * 1000, situation) is None
