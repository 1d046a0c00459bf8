"""The predicted error of a register, its spread, its band, and what is left of a tool."""

from dataclasses import replace
from math import inf, isnan
from statistics import NormalDist
from typing import Any

import pytest
from hypothesis import given

from rules.cases import case, feature
from rules.evidence import Evidence
from rules.life import PartsLeft, parts_left, room_um, wear_is_proven
from rules.limits import Limits
from rules.outlook import is_confident, is_sure, outlook, probability_outside, quantile
from tests.rules import strategies


def test_a_worn_cutter_shows_as_a_positive_error_of_its_radius() -> None:
    """A bore 14 um too small means the stored radius is 7 um too big; half the spread and band go with it."""
    seen = outlook(case().evidence, Limits())

    assert seen.error_um == 7.0
    assert seen.sd_um == 0.5
    assert seen.band_um == pytest.approx(0.30 * 10.5 / 2)
    assert seen.excess_um == pytest.approx(7.0 - 1.575)


def test_the_tightest_feature_sets_the_band() -> None:
    """Of a bore with S -2 and a wall with S 1, each with its tolerance, the smaller share counts."""
    bore, wall = feature(0.0), feature(0.0, sensitivity=1.0, lower_um=-4.0, upper_um=4.0)

    assert outlook(case(bore, wall).evidence, Limits(band=0.5)).band_um == 2.0
    assert outlook(case(bore, replace(wall, lower_um=-40.0)).evidence, Limits(band=0.5)).band_um == 2.625


def test_spreads_of_features_that_share_a_register_do_not_average_out() -> None:
    """Two bores with the same spread leave the register's spread as it is; a surer one narrows it in proportion."""
    assert outlook(case(feature(-14.0), feature(-12.0)).evidence, Limits()).sd_um == 0.5
    assert outlook(case(feature(-14.0), feature(-12.0, sd_um=3.0)).evidence, Limits()).sd_um == 1.0


def test_an_error_just_at_the_edge_of_its_band_is_inside() -> None:
    """4 um of error against a band of half a +-8 um tolerance."""
    edge = feature(4.0, sensitivity=-1.0, lower_um=-8.0, upper_um=8.0)

    assert not outlook(case(edge).evidence, Limits(band=0.5)).is_outside_band
    assert outlook(case(replace(edge, own_um=4.001)).evidence, Limits(band=0.5)).is_outside_band


def test_just_enough_parts_are_enough() -> None:
    """Three parts where three are asked for, and not two."""
    assert is_sure(case(parts=3).evidence, Limits(evidence=3))
    assert not is_sure(case(parts=2).evidence, Limits(evidence=3))


def test_without_a_feature_nothing_is_known() -> None:
    """No estimate is not an estimate of zero."""
    seen = outlook(replace(case().evidence, features=()), Limits())

    assert isnan(seen.error_um)
    assert (seen.sd_um, seen.band_um, seen.deciding) == (inf, inf, ())
    assert not seen.is_known
    assert not seen.is_outside_band


def test_a_tolerance_on_one_side_of_nominal_has_its_target_in_its_middle() -> None:
    """A 25 H7 bore is made to +10.5 um, not to 25."""
    assert (feature().target_um, feature().half_um) == (10.5, 10.5)
    assert (feature(lower_um=-30.0, upper_um=-10.0).target_um, feature(lower_um=-30.0, upper_um=-10.0).half_um) == (
        -20.0,
        10.0,
    )


def test_a_new_question_gets_a_new_answer() -> None:
    """Other limits, or other evidence under the same limits, are never answered from memory."""
    one, other, limits = case(), case(feature(14.0)), Limits()

    assert outlook(one.evidence, limits).error_um == 7.0
    assert outlook(other.evidence, limits).error_um == -7.0
    assert outlook(other.evidence, Limits(band=1.0)).band_um == 5.25


@given(evidence=strategies.ready(), limits=strategies.limits())
def test_the_probability_is_that_of_the_normal_distribution(evidence: Evidence, limits: Limits) -> None:
    """Checked against the standard library's distribution; sure means at least the confidence asked for."""
    seen = outlook(evidence, limits)
    if seen.sd_um <= 1e-6:
        return

    beyond = 1.0 - NormalDist(abs(seen.error_um), seen.sd_um).cdf(seen.band_um)

    assert probability_outside(seen) == pytest.approx(beyond, abs=1e-9)
    if abs(beyond - limits.confidence) > 1e-9:
        assert is_confident(seen, limits) == (beyond > limits.confidence)


@pytest.mark.parametrize(("own", "expected"), [(-14.0, 1.0), (0.0, 0.0)])
def test_an_error_without_spread_is_certain(own: float, expected: float) -> None:
    """With no spread the error is outside the band or it is not."""
    assert probability_outside(outlook(case(feature(own, sd_um=0.0)).evidence, Limits())) == expected


def test_quantiles_are_those_of_the_tables() -> None:
    """One-sided 95 % and 99 % points of the normal distribution (common practice), and the ends."""
    assert quantile(0.95) == pytest.approx(1.644854, abs=1e-6)
    assert quantile(0.99) == pytest.approx(2.326348, abs=1e-6)
    assert (quantile(0.5), quantile(0.0), quantile(1.0)) == (0.0, -inf, inf)


@pytest.mark.parametrize(
    ("facts", "proven"),
    [
        ({"slope_um": 0.42, "slope_sd_um": 0.1}, True),
        ({"slope_um": 0.42, "slope_sd_um": 0.2}, False),
        ({"slope_um": -0.42, "slope_sd_um": 0.1}, False),
        ({"slope_um": -0.42, "slope_sd_um": 0.1, "wear_sign": -1}, True),
        ({"slope_um": 0.0, "slope_sd_um": 0.0}, False),
        ({"slope_um": 0.42, "slope_sd_um": 0.1, "kind": "work"}, False),
        ({"slope_um": -0.42, "slope_sd_um": 1.0, "limits": Limits(confidence=0.3)}, False),
    ],
)
def test_wear_is_proven_by_a_drift_of_the_right_sign_beyond_its_spread(facts: dict[str, Any], proven: bool) -> None:
    """A tool wears one way only; a work offset does not wear."""
    situation = case(**facts)

    assert wear_is_proven(situation.evidence, situation.limits) == proven


def test_parts_left_is_room_over_wear_with_its_interval() -> None:
    """138 um of travel at 0.42 +- 0.10 um per part: 328 parts, between 224 and 616 at 95 %."""
    left = parts_left(case(slope_um=0.42, slope_sd_um=0.10, travel_um=-12.0).evidence, Limits(travel_um=150.0))

    assert left == PartsLeft(parts=328, low=int(138 / 0.6159963985), high=int(138 / 0.2240036015))


def test_parts_left_has_no_upper_end_where_the_wear_might_be_nothing() -> None:
    """With a weak proof of wear the interval is open upwards."""
    left = parts_left(case(slope_um=0.42, slope_sd_um=0.40).evidence, Limits(confidence=0.8))

    assert left is not None
    assert left.high is None


@pytest.mark.parametrize("slope", [1e-5, 1e-320])
def test_a_drift_too_small_to_matter_names_no_number_of_parts(slope: float) -> None:
    """More than a million parts is not a forecast."""
    assert parts_left(case(slope_um=slope).evidence, Limits()) is None


def test_room_is_counted_in_the_direction_of_the_change() -> None:
    """A register that has gone down 100 of 150 um may go 50 further down, or 250 up; past its limit nothing is left."""
    used = case(travel_um=-100.0).evidence

    assert (room_um(used, Limits(), -1.0), room_um(used, Limits(), 1.0)) == (50.0, 250.0)
    assert room_um(case(travel_um=-180.0).evidence, Limits(), -1.0) == 0.0
