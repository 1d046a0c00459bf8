"""What the rules are told after a part: plain numbers in the register's own sense and unit."""

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from feedback.configuration.groups import groups
from feedback.configuration.loading import from_texts
from feedback.evidence import Glimpse, Standing, Witness, feature_evidence
from feedback.follow import Moment, PartSeen, Track
from feedback.registers import register
from rules.evidence import Evidence
from tests.stories.parts import COVER_PLATE, HINGE_BRACKET, cell_texts
from tests.stories.story import SMALL_PUMP_BODY, machine

GLIMPSE = Glimpse(
    total_um=[-6.0, -5.0],
    own_um=[[-7.0], [-4.0]],
    own_sd_um=[[0.5], [0.6]],
    slope_um=[0.2],
    slope_sd_um=[0.05],
    parts=[24],
    jump_age=[-1],
    apart_age=[-1],
    wild=[False, False],
    unsettled=[False],
    moving=None,
    fit_failed=None,
)


def witness(name: str = "tool 5 radius", plan: Any = SMALL_PUMP_BODY, **facts: Any) -> Witness:
    read = from_texts(Path("cell"), cell_texts([machine(plan=plan, **facts)]))
    found = register(name)
    group = next(group for group in groups(read, "M1") if found in group.registers)
    return Witness(group, found, read.machines["M1"])


def moment(deviations: Mapping[str, float], doubts: tuple[str, ...] = ()) -> Moment:
    seen = PartSeen(part_id=1, part="118", at_us=0, deviations=deviations, doubts=doubts)
    return Moment(seen=seen, tracks={}, changes=())


def evidence(glimpse: Glimpse = GLIMPSE, moved_um: tuple[float, ...] = (), doubts: tuple[str, ...] = ()) -> Evidence:
    track = Track(value=Decimal("-0.012"), travel_um=-12.0, parts_since_change=4)
    return witness().evidence(glimpse, moment({"4101/12": 4.5}, doubts), track, Standing(), moved_um)


def test_predictions_are_deviations_from_nominal() -> None:
    """The trend counts from the middle of the tolerance, 25 H7 being 0/+21 um; a person counts from nominal."""
    bore, seal = evidence().features

    assert (bore.lower_um, bore.upper_um, bore.target_um) == (0.0, 21.0, 10.5)
    assert (bore.before_um, bore.own_um, bore.sd_um) == (10.5 - 6.0, -7.0, 0.5)
    assert (seal.before_um, seal.own_um, seal.sd_um) == (19.5 - 5.0, -4.0, 0.6)
    assert (bore.last_um, seal.last_um) == (4.5, None)
    assert {bore.sensitivity, seal.sensitivity} == {-2.0}


def test_what_the_log_shows_of_the_register_is_told() -> None:
    """Value, travel and parts since the last change come from the prints."""
    seen = evidence()
    assert (seen.now, seen.travel_um, seen.parts_since_change) == (Decimal("-0.012"), -12.0, 4)
    assert (seen.part, seen.kind, seen.parts, seen.slope_um) == ("118", "tool", 24, 0.2)


def test_a_register_moved_after_the_newest_part_shifts_what_the_next_one_reads() -> None:
    """Radius 5 um down, entered after the last part: the next bores will be 10 um bigger."""
    still, moved = evidence(), evidence(moved_um=(-5.0,))

    for before, after in zip(still.features, moved.features, strict=True):
        assert after.before_um == pytest.approx(before.before_um + 10.0)
        assert after.own_um == pytest.approx(before.own_um + 10.0)
        assert after.last_um == before.last_um


def test_what_moves_is_told_to_the_register_it_is_about() -> None:
    """Words about another register of the group do not hold this one."""
    restless = replace(GLIMPSE, moving="feature 12 jumped")

    assert evidence(restless).moving is None
    assert evidence(replace(restless, unsettled=[True])).moving == "feature 12 jumped"


@pytest.mark.parametrize(("age", "is_news"), [(-1, False), (0, True), (9, True), (10, False)])
def test_features_that_moved_apart_are_news_for_ten_parts(age: int, is_news: bool) -> None:
    """So long it is told; later it is simply where the features stand."""
    found = witness().evidence(replace(GLIMPSE, apart_age=[age]), moment({}), Track(), Standing())

    assert found.moved_apart == is_news


def test_all_doubts_of_the_part_are_told_together() -> None:
    """Two doubts are two reasons to look."""
    assert evidence(doubts=("a clock went back", "another nominal")).doubt == "a clock went back; another nominal"
    assert evidence().doubt is None


def test_a_worn_tool_is_named_as_the_cause() -> None:
    """A slope clear of twice its standard deviation, with the sign of wear, is wear; against it, it is not."""
    assert evidence().cause == "wear"
    assert evidence(replace(GLIMPSE, slope_sd_um=[0.15])).cause == "none"
    assert evidence(replace(GLIMPSE, slope_um=[-0.2])).cause == "none"
    assert evidence(replace(GLIMPSE, unsettled=[True], wild=[True, False])).cause == "outlier"


@pytest.mark.parametrize(
    ("name", "plan", "facts", "wanted"),
    [
        ("tool 5 radius", SMALL_PUMP_BODY, {}, "0.001"),
        ("tool 5 radius", SMALL_PUMP_BODY, {"tool_radius": "diameter"}, "0.0005"),
        ("tool 2 radius", COVER_PLATE, {"unit": "inch"}, "0.00254"),
        ("tool 2 radius", COVER_PLATE, {"unit": "inch", "tool_radius": "diameter"}, "0.00127"),
        ("work 54 X", COVER_PLATE, {"unit": "inch", "tool_radius": "diameter"}, "0.00254"),
        ("tool 3 length", HINGE_BRACKET, {"tool_radius": "diameter"}, "0.001"),
    ],
)
def test_the_least_step_is_radius_valued_mm(name: str, plan: Any, facts: dict[str, Any], wanted: str) -> None:
    """A page of diameters or inches has its own grid; only a cutter's radius is halved. 0.0001 in = 0.00254 mm."""
    assert witness(name, plan, **facts).increment == Decimal(wanted)


def test_a_feature_that_nothing_moves_is_told_as_it_was_read() -> None:
    """A drilled hole: the reading, its limits, no error that a register could answer for."""
    read = from_texts(Path("cell"), cell_texts([machine(plan=HINGE_BRACKET)]))
    (feature,) = next(group.features for group in groups(read, "M1") if not group.registers)
    seen = feature_evidence(feature, moment({feature.key: 25.0}))
    unread = feature_evidence(feature, moment({}, ("probe in doubt",)))

    assert (seen.register, seen.now) == ("feature 5220/8", None)
    assert (seen.features[0].last_um, seen.features[0].sensitivity) == (25.0, 0.0)
    assert (seen.features[0].lower_um, seen.features[0].upper_um) == (0.0, 22.0)  # 8 H8 is 0/+22 um
    assert (unread.features[0].last_um, unread.features[0].own_um, unread.doubt) == (None, 0.0, "probe in doubt")
