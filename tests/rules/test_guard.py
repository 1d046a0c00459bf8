"""The guard: what the limits leave of a wish."""

from decimal import Decimal, localcontext
from fractions import Fraction
from math import inf, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.guard import Bounded, bound
from rules.limits import Limits

MICRON = Decimal("0.001")
INCREMENTS = st.sampled_from([MICRON, Decimal("0.0005"), Decimal("0.00254"), Decimal("0.000001"), Decimal("0.01")])
UM = st.floats(-500, 500)
ROOM = st.floats(0, 500)
NOW = st.decimals(-500, 500, places=5)
MANY = settings(max_examples=200)


def limits(step_um: float = 20.0, travel_um: float = 150.0) -> Limits:
    return Limits(step_um=step_um, travel_um=travel_um)


def as_um(bounded: Bounded) -> Fraction:
    return Fraction(bounded.change) * 1000


@pytest.mark.parametrize(
    ("now", "wish", "travel", "change", "new", "cut"),
    [
        ("-0.012", -6.1, -12.0, "-0.006", "-0.018", False),
        ("-0.012", 6.1, -12.0, "0.006", "-0.006", False),
        ("-0.012", -6.0, -12.0, "-0.006", "-0.018", False),
        ("-0.012", -0.9, -12.0, "0", "-0.012", False),
        ("-0.012", 0.9, -12.0, "0", "-0.012", False),
        ("-0.012", 0.0, -12.0, "0", "-0.012", False),
        ("-0.012", -35.2, -12.0, "-0.020", "-0.032", True),
        ("-0.012", 35.2, -12.0, "0.020", "0.008", True),
        ("-0.145", -35.2, -145.0, "-0.005", "-0.150", True),
        ("0.145", 35.2, 145.0, "0.005", "0.150", True),
        ("-0.150", -6.0, -150.0, "0", "-0.150", True),
        ("-0.150", 6.0, -150.0, "0.006", "-0.144", False),
        ("-0.180", -6.0, -180.0, "0", "-0.180", True),
        ("-0.012", -20.0, -12.0, "-0.020", "-0.032", False),
        # off the grid: the new value is on it, the change is what lies between
        ("-0.0124", -6.1, -12.0, "-0.0056", "-0.018", False),
        ("-0.0124", 6.1, -12.0, "0.0054", "-0.007", False),
        ("-0.0124", -0.5, -12.0, "0", "-0.0124", False),
        ("-0.0124", -0.7, -12.0, "-0.0006", "-0.013", False),
        ("0.0004", -0.5, 0.0, "-0.0004", "0", False),
    ],
)
def test_a_wish_is_cut_to_its_limits_and_rounded_toward_no_change(
    now: str, wish: float, travel: float, change: str, new: str, cut: bool
) -> None:
    """Worked by hand with a 20 um step, 150 um of travel and a 1 um register."""
    bounded = bound(Decimal(now), wish, travel, MICRON, limits())

    assert (bounded.now, bounded.change, bounded.new) == (Decimal(now), Decimal(change), Decimal(new))
    assert bounded.was_cut is cut


@pytest.mark.parametrize(
    ("wish", "travel", "kind", "words"),
    [
        (-6.1, -12.0, "tool", "-6.1 um asked, -6.0 um on the register's grid"),
        (0.4, -12.0, "tool", "+0.4 um asked, less than the register can be moved by"),
        (-35.2, -12.0, "tool", "-35.2 um asked, cut to -20.0 um by the step limit 20.0 um"),
        (-35.2, -145.0, "tool", "-35.2 um asked, cut to -5.0 um by the travel limit 150.0 um (-145.0 um used)"),
        (-35.2, -12.0, "rotary", "-0.0352 deg asked, cut to -0.0200 deg by the step limit 0.0200 deg"),
        (nan, -12.0, "tool", "the register, the wish or a limit is not a proper number: no change"),
    ],
)
def test_the_guard_says_what_it_did(wish: float, travel: float, kind: str, words: str) -> None:
    """A cut-short step says that it was cut short, and by which limit."""
    assert bound(Decimal("-0.012"), wish, travel, MICRON, limits(), kind).words == words


@pytest.mark.parametrize("step_um", [0.0, -5.0])
def test_a_step_limit_of_nothing_leaves_nothing(step_um: float) -> None:
    """Zero, or less by mistake, forbids every step."""
    bounded = bound(Decimal("-0.012"), -6.0, 0.0, MICRON, limits(step_um=step_um))

    assert bounded.change == 0
    assert bounded.was_cut


@pytest.mark.parametrize(
    ("now", "wish", "travel", "increment", "step_um", "travel_um"),
    [
        ("0", nan, 0.0, "0.001", 20.0, 150.0),
        ("0", inf, 0.0, "0.001", 20.0, 150.0),
        ("0", -inf, 0.0, "0.001", 20.0, 150.0),
        ("0", 5.0, nan, "0.001", 20.0, 150.0),
        ("0", 5.0, 0.0, "0.001", inf, 150.0),
        ("0", 5.0, 0.0, "0.001", 20.0, nan),
        ("0", 5.0, 0.0, "0", 20.0, 150.0),
        ("0", 5.0, 0.0, "-0.001", 20.0, 150.0),
        ("0", 5.0, 0.0, "NaN", 20.0, 150.0),
        ("NaN", 5.0, 0.0, "0.001", 20.0, 150.0),
        ("Infinity", 5.0, 0.0, "0.001", 20.0, 150.0),
    ],
)
def test_what_is_no_number_moves_nothing(
    now: str, wish: float, travel: float, increment: str, step_um: float, travel_um: float
) -> None:
    """A wish or limit that is not a finite number gives no change instead of a surprise."""
    bounded = bound(Decimal(now), wish, travel, Decimal(increment), limits(step_um, travel_um))

    assert bounded.change == 0
    assert bounded.was_cut
    assert str(bounded.new) == now


@MANY
@given(NOW, UM, UM, INCREMENTS, ROOM, ROOM)
def test_a_step_is_never_larger_than_asked_nor_past_a_limit_nor_of_the_other_sign(
    now: Decimal, wish: float, travel: float, increment: Decimal, step_um: float, travel_um: float
) -> None:
    """In exact arithmetic: the size is bounded by wish, step and room, and the sign is that of the wish or none."""
    moved = as_um(bound(now, wish, travel, increment, limits(step_um, travel_um)))

    assert abs(moved) <= abs(Fraction(wish))
    assert abs(moved) <= Fraction(step_um)
    assert abs(Fraction(travel) + moved) <= max(Fraction(travel_um), abs(Fraction(travel)))
    assert moved * Fraction(wish) >= 0


@MANY
@given(NOW, UM, UM, INCREMENTS, ROOM, ROOM)
def test_a_step_is_the_largest_the_limits_leave_on_the_grid(
    now: Decimal, wish: float, travel: float, increment: Decimal, step_um: float, travel_um: float
) -> None:
    """One more increment would be too much; whatever moves lands on the grid exactly; what was cut says so."""
    bounded = bound(now, wish, travel, increment, limits(step_um, travel_um))
    sign = 1 if wish > 0 else -1
    allowed = min(
        abs(Fraction(wish)), Fraction(step_um), max(Fraction(0), Fraction(travel_um) - sign * Fraction(travel))
    )
    grid = Fraction(increment)
    place = (Fraction(now) * sign + allowed / 1000) // grid * grid  # measured along the wish

    assert Fraction(bounded.new) * sign == max(place, Fraction(now) * sign)
    assert Fraction(bounded.now) + Fraction(bounded.change) == Fraction(bounded.new)
    assert bounded.was_cut == (allowed < abs(Fraction(wish)))


@MANY
@given(NOW, UM, UM, INCREMENTS)
def test_up_and_down_are_treated_alike(now: Decimal, wish: float, travel: float, increment: Decimal) -> None:
    """Mirrored, everything mirrors."""
    one = bound(now, wish, travel, increment, limits())
    other = bound(-now, -wish, -travel, increment, limits())

    assert one.change == -other.change
    assert one.was_cut == other.was_cut


@given(st.floats(0.5, 20))
def test_a_second_pass_changes_nothing(wish: float) -> None:
    """What the guard let through once, it lets through whole."""
    once = bound(Decimal("-0.012"), wish, 0.0, MICRON, limits())

    again = bound(once.now, float(once.change * 1000), 0.0, MICRON, limits())

    assert (again.change, again.was_cut) == (once.change, False)


def test_the_guard_is_exact_whatever_precision_a_caller_has_set() -> None:
    """Decimal arithmetic elsewhere set to three digits does not touch a register value of seven."""
    with localcontext() as context:
        context.prec = 3
        bounded = bound(Decimal("1234.567"), 12.0, 0.0, MICRON, limits())

    assert (bounded.change, bounded.new) == (Decimal("0.012"), Decimal("1234.579"))


def test_a_change_is_also_told_in_micrometres() -> None:
    """-0.006 mm are -6 um."""
    assert bound(Decimal(0), -6.0, 0.0, MICRON, limits()).change_um == -6.0
