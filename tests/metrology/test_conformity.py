"""Readings near a limit."""

from hypothesis import given
from hypothesis import strategies as st

from feedback.metrology.conformity import Tolerance, acceptance_zone, conformity, permissive_zone

BORE = Tolerance(lower=0.0, upper=21.0)  # 25 H7


def test_a_reading_well_inside_is_proved_inside() -> None:
    """Ten micrometres from either limit with u = 2 um leaves no question."""
    assert conformity(10.5, 2.0, BORE).standing == "inside"


def test_a_reading_just_inside_the_limit_proves_nothing() -> None:
    """20 um of 21 with u = 2 um: one part in three of these is out of tolerance."""
    found = conformity(20.0, 2.0, BORE)

    assert found.standing == "uncertain"
    assert found.words.startswith("uncertain (69.1% inside): too near a limit")


def test_a_reading_just_outside_the_limit_proves_nothing_either() -> None:
    """22 um with u = 2 um may well be a good part: inspect before scrapping."""
    assert conformity(22.0, 2.0, BORE).standing == "uncertain"


def test_a_reading_far_outside_is_proved_outside() -> None:
    """25 um with u = 2 um is no good part."""
    found = conformity(25.0, 2.0, BORE)

    assert found.standing == "outside"
    assert found.words == "outside: proved with 97.7%"


def test_a_tolerance_too_narrow_for_the_probe_proves_no_part_good() -> None:
    """A tolerance of 6 um judged with u = 2 um: even the middle is uncertain, and the words say what to do."""
    found = conformity(3.0, 2.0, Tolerance(lower=0.0, upper=6.0))

    assert (found.standing, found.accepted) == ("uncertain", None)
    assert "too narrow to prove anything" in found.words


def test_without_uncertainty_the_bare_limits_decide() -> None:
    """Where nobody has stated an uncertainty, a reading on the limit is inside and one beyond is outside."""
    assert conformity(21.0, 0.0, BORE).standing == "inside"
    assert conformity(21.001, 0.0, BORE).standing == "outside"


def test_a_one_sided_tolerance_has_one_guard_band() -> None:
    """A roundness or a minimum depth has a single limit."""
    zone = acceptance_zone(Tolerance(lower=5.0), 1.0)

    assert zone is not None
    assert (round(zone.lower, 3), zone.upper) == (6.645, float("inf"))


@given(st.floats(-50, 70), st.floats(0, 20), st.floats(0.51, 0.999))
def test_more_uncertainty_never_proves_more(value: float, u: float, probability: float) -> None:
    """What a poor probe proves, a better one proves too."""
    worse = conformity(value, u * 1.5, BORE, probability).standing
    better = conformity(value, u, BORE, probability).standing

    assert worse in ("uncertain", better)


@given(st.floats(0, 20), st.floats(0.51, 0.999))
def test_the_zones_lie_inside_one_another(u: float, probability: float) -> None:
    """Proved inside, tolerance, not proved outside: in this order."""
    zone, outer = acceptance_zone(BORE, u, probability), permissive_zone(BORE, u, probability)

    assert outer.lower <= BORE.lower
    assert outer.upper >= BORE.upper
    assert zone is None or (zone.lower >= BORE.lower and zone.upper <= BORE.upper and zone.lower <= zone.upper + 1e-9)
