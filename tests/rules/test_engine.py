"""All verdicts together: leave, wait, correct, hold or stop."""

from dataclasses import replace
from decimal import Decimal
from math import isnan
from typing import Any

import pytest

from rules.aim import aim_um
from rules.cases import Case, case, feature
from rules.catalogue import RULES
from rules.engine import GUARD, bounded, decide
from rules.limits import Limits
from rules.outlook import outlook
from rules.verdicts import Decision, Reason

WEAR: dict[str, Any] = {"slope_um": 0.5, "slope_sd_um": 0.1}


def decided(situation: Case) -> Decision:
    return decide(situation.evidence, situation.limits)


def reason(decision: Decision, rule: str) -> Reason:
    return next(kept for kept in decision.reasons if kept.rule == rule)


@pytest.mark.parametrize(
    ("situation", "answer"),
    [
        (case(), "correct"),
        (case(feature(1.0)), "leave"),
        (case(feature(1.0), parts=1), "leave"),
        (case(feature(1.0), doubt="ring check failed"), "leave"),
        (case(feature(1.0), locked="wrong way"), "leave"),
        (case(feature(1.0), moving="feature 12 jumped"), "wait"),
        (case(moving="feature 12 jumped"), "wait"),
        (case(parts=2), "wait"),
        (case(feature(sd_um=5.0)), "wait"),
        (case(feature(float("nan"))), "wait"),
        (case(feature(14.0), parts=1), "wait"),
        (case(feature(14.0)), "hold"),
        (case(doubt="ring check failed"), "hold"),
        (case(locked="wrong way"), "hold"),
        (case(now=None), "hold"),
        (case(parts_since_change=1), "hold"),
        (case(pending="p-7f3a91"), "hold"),
        (case(rejected="p-7f3a91"), "hold"),
        (case(travel_um=-150.0), "hold"),
        (case(cause="probe"), "hold"),
        (case(pending="p-7f3a91", parts=1), "hold"),
        (case(feature(-12.0), feature(12.0, id="13")), "hold"),
        (case(feature(-12.0), feature(12.0, id="13"), parts=2), "wait"),
        (case(feature(last_um=21.5)), "stop"),
        (case(feature(1.0, last_um=21.5)), "stop"),
        (case(feature(last_um=900.0), pending="p-7f3a91", moving="feature 12 jumped"), "stop"),
        (case(fit_failed="did not converge"), "correct"),
    ],
)
def test_the_gravest_objection_gives_the_answer(situation: Case, answer: str) -> None:
    """Stop before hold before wait; without a wish only what is moving, or cannot be fixed, is worth a word."""
    decision = decided(situation)

    assert decision.answer == answer
    assert (decision.step is not None) >= (answer == "correct")
    assert decision.step is None or answer in ("correct", "stop")


def test_a_part_that_wore_out_of_tolerance_stops_the_run_and_carries_its_cure() -> None:
    """The operator inspects first; then the correction is at hand. A chip out of tolerance carries none."""
    worn = decided(case(feature(last_um=21.5)))
    assert (worn.answer, worn.step is not None) == ("stop", True)
    assert worn.reasons[-1].rule == GUARD

    chip = decided(case(feature(last_um=60.0, last_was_wild=True), moving="feature 12 read 50 um away"))
    assert (chip.answer, chip.step) == ("stop", None)

    broken = decided(case(feature(last_um=900.0)))
    assert (broken.answer, broken.step) == ("stop", None)


def test_every_answer_of_every_rule_is_kept_in_order() -> None:
    """A year later, each rule's words can be read as they were; the guard's follow where a step was sized."""
    assert [kept.rule for kept in decided(case()).reasons] == [rule.name for rule in RULES] + [GUARD]
    assert [kept.rule for kept in decided(case(now=None)).reasons] == [rule.name for rule in RULES]


def test_a_correction_carries_its_exact_step_and_forecasts() -> None:
    """7 um of error on a 1 um register: the radius goes from -0.012 to -0.019 and the bore to its centre."""
    decision = decided(case())

    assert decision.step is not None
    assert (decision.step.now, decision.step.change) == (Decimal("-0.012"), Decimal("-0.007"))
    assert (str(decision.step.new), decision.step.was_cut) == ("-0.019", False)
    forecast = decision.step.forecasts[0]
    assert (forecast.id, forecast.before_um, forecast.after_um) == ("12", -3.5, 10.5)
    assert (forecast.lower_um, forecast.upper_um) == (0.0, 21.0)
    assert (decision.register, decision.part) == ("tool 5 radius", "118")
    assert (decision.error_um, decision.sd_um) == (7.0, 0.5)


def test_a_large_error_is_corrected_one_bounded_step_at_a_time() -> None:
    """60 um of bore error on a 20 um step: cut short, said so, and the forecast is that of the cut step."""
    decision = decided(case(feature(-60.0)))

    assert decision.step is not None
    assert (decision.step.change, decision.step.was_cut) == (Decimal("-0.020"), True)
    assert reason(decision, GUARD).verdict == "cut"
    assert decision.step.forecasts[0].after_um == pytest.approx(-60.0 + 10.5 + 40.0)


def test_proven_wear_is_set_past_the_centre() -> None:
    """Half the band of 1.575 um further than the 7 um of error; the register holds tenths here."""
    decision = decided(case(**WEAR, increment=Decimal("0.0001")))

    assert decision.step is not None
    assert decision.step.change == Decimal("-0.0077")
    assert reason(decision, "aim").verdict == "wish"


def test_aiming_stops_where_another_feature_would_leave_its_band() -> None:
    """Two bores 2 um apart around the best step: the small one may rise to +3.15 um, the other only to its +3.15 um."""
    near = decided(case(feature(-16.0), feature(-11.0, id="13"), **WEAR, increment=Decimal("0.0001")))

    assert near.step is not None
    after = [forecast.after_um - 10.5 for forecast in near.step.forecasts]
    assert max(after) == pytest.approx(3.15, abs=0.2)
    assert max(after) <= 3.15
    assert near.step.change == Decimal("-0.0070")


@pytest.mark.parametrize("wear_sign", [1, -1])
@pytest.mark.parametrize("sensitivity", [-2.0, 2.0])
def test_wear_is_met_on_the_side_it_comes_from(wear_sign: int, sensitivity: float) -> None:
    """Whatever the sign of wear and of S: 7 um of error the way wear gives it, and half the band beyond."""
    worn = feature(7.0 * wear_sign * sensitivity, sensitivity=sensitivity)
    decision = decided(
        case(worn, wear_sign=wear_sign, slope_um=0.5 * wear_sign, slope_sd_um=0.1, increment=Decimal("0.0001"))
    )

    assert decision.step is not None
    assert decision.step.change == wear_sign * Decimal("-0.0077")


@pytest.mark.parametrize("sensitivity", [-2.0, 2.0])
@pytest.mark.parametrize(
    ("one", "other", "aimed"),
    [
        # after the best step the pair stands at +-2.5 um; the band is +-3.15 um, so 0.65 um of reading are free
        (14.5, 9.5, 0.325),
        # the wide feature stands 5 um short of its centre on the side that aiming moves it away from
        (14.0, 4.0, 0.0),
    ],
)
def test_aiming_counts_the_room_on_the_side_it_moves_to(
    sensitivity: float, one: float, other: float, aimed: float
) -> None:
    """The feature that is already low on that side has less room than the aim asks for; the other has more."""
    sign = 1 if sensitivity > 0 else -1
    pair = feature(one * sign, sensitivity=sensitivity), feature(other * sign, sensitivity=sensitivity, id="13")
    situation = case(*pair, **WEAR)
    seen = outlook(situation.evidence, situation.limits)

    assert aim_um(situation.evidence, situation.limits, seen) == pytest.approx(aimed)


def test_aiming_is_free_where_it_moves_a_feature_toward_its_centre() -> None:
    """A loose feature that would end high may come down as far as the tight one allows."""
    tight = feature(8.0, sensitivity=2.0, lower_um=-4.0, upper_um=4.0)
    loose = feature(38.0, sensitivity=2.0, lower_um=-40.0, upper_um=40.0, id="13")
    situation = case(tight, loose, **WEAR)
    seen = outlook(situation.evidence, situation.limits)

    assert seen.error_um == 4.0
    assert aim_um(situation.evidence, situation.limits, seen) == pytest.approx(0.5 * 0.3 * 4.0 / 2)


def test_a_wish_smaller_than_the_register_can_hold_is_left_alone_with_its_reason() -> None:
    """A register of 0.01 mm cannot make a 7 um correction; the machine is left alone and the guard says why."""
    decision = decided(case(increment=Decimal("0.01"), now=Decimal("-0.01")))

    assert (decision.answer, decision.step) == ("leave", None)
    assert "less than the register can be moved by" in reason(decision, GUARD).words


def test_a_register_the_log_never_showed_is_not_moved_even_past_the_rules() -> None:
    """The guard itself refuses to size a step from a value nobody has seen."""
    unknown = bounded(case(now=None).evidence, Limits(), -7.0)

    assert unknown.change == 0


def test_parts_left_are_named_with_their_interval_once_wear_is_proven() -> None:
    """138 um of travel at 0.5 um per part, with a spread of 0.1 um."""
    decision = decided(case(**WEAR))

    assert (decision.parts_left, decision.parts_left_low, decision.parts_left_high) == (276, 198, 453)
    assert "about 276 parts at the present wear (95 %: 198 to 453)" in reason(decision, "travel").words
    assert decided(case()).parts_left is None


def test_a_register_that_no_feature_tells_about_waits() -> None:
    """Without a reading there is nothing to decide on, and no number is made up."""
    decision = decide(replace(case().evidence, features=()), Limits())

    assert decision.answer == "wait"
    assert isnan(decision.error_um)


def test_at_even_odds_the_band_alone_decides() -> None:
    """With a confidence of 50 % a wide spread does not matter: just outside is corrected, just inside is left."""
    even = Limits(confidence=0.5, evidence=1)
    edge = 0.30 * 10.5

    just_outside = decided(case(feature(-edge - 1e-9, sd_um=80.0), limits=even))
    assert reason(just_outside, "confidence").verdict == "clear"
    assert decided(case(feature(-edge - 1e-9, sd_um=80.0), limits=even)).answer == "correct"
    assert decided(case(feature(-edge + 1e-9, sd_um=80.0), limits=even)).answer == "leave"


def test_angles_are_told_in_degrees() -> None:
    """A rotary offset 14 millidegrees off reads as degrees, to four decimals."""
    turned = case(feature(14.0, sensitivity=-1.0), register="work 54 B", kind="rotary", now=Decimal("12.5"))

    decision = decided(turned)

    assert reason(decision, "band").words == "predicted error -0.0140 deg, band 0.0032 deg"
    assert decision.step is not None
    assert decision.step.new == Decimal("12.514")


def test_the_words_name_a_feature_without_a_name_by_its_number() -> None:
    """A plan that names nothing still says which feature is out."""
    decision = decided(case(feature(last_um=22.0, name="")))

    assert reason(decision, "tolerance").words.startswith("feature 12 reads +22.0 um")
