"""The order in which things happened on a machine, whatever the order in which the store gives them."""

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from feedback.follow import Happening, PartPassed, PartSeen, RegisterSeen, ToolSeen
from feedback.series import NOT_NEWS, MeasurementRow, PartRow, RegisterRow, ToolRow, in_order, unread, with_passed

RADIUS = "tool 5 radius"


def reading(part_id: int, at_us: int, feature: str = "4101/12", um: float = 1.0, *checks: str) -> MeasurementRow:
    return MeasurementRow(part_id, f"P{part_id}", at_us, feature, um, tuple((check, f"{check}!") for check in checks))


def printed(id: int, at_us: int, part_id: int | None = None, value: str = "0.001") -> RegisterRow:
    return RegisterRow(id, RADIUS, value, at_us, part_id, f"log:{id}")


def told(happenings: list[Happening]) -> list[str]:
    """The happenings in a word each."""
    found = []
    for happening in happenings:
        match happening:
            case PartSeen():
                found.append(happening.part)
            case PartPassed():
                found.append(f"passed {happening.part_id}")
            case RegisterSeen():
                found.append(happening.source)
            case ToolSeen():
                found.append(f"tool {happening.tool}")
    return found


def test_a_print_inside_a_part_was_in_force_when_the_part_was_cut() -> None:
    """A program prints its offsets after the cut as well as before: either way they come before the part's readings."""
    order = in_order([reading(1, 100), reading(2, 200)], [printed(9, 200, part_id=2)], [])
    assert told(order) == ["P1", "log:9", "P2"]


def test_a_print_between_parts_comes_after_the_part_of_the_same_time() -> None:
    """A line without a time has the time of the part before it: it was printed after that part."""
    order = in_order([reading(1, 100), reading(2, 200)], [printed(9, 100)], [])
    assert told(order) == ["P1", "log:9", "P2"]


def test_a_new_tool_inside_a_part_comes_before_it() -> None:
    """A tool changed for this part cut this part."""
    order = in_order(
        [reading(1, 100), reading(2, 200)], [], [ToolRow(1, 5, 200, 2, "log:1"), ToolRow(2, 7, 100, None, "")]
    )
    assert told(order) == ["P1", "tool 7", "tool 5", "P2"]


def test_equal_times_stand_in_the_order_of_arrival() -> None:
    """A control whose clock shows minutes only prints several parts in one minute."""
    order = in_order([reading(2, 100), reading(1, 100)], [printed(4, 100), printed(3, 100)], [])
    assert told(order) == ["P1", "P2", "log:3", "log:4"]


def test_what_arrives_late_stands_where_it_happened() -> None:
    """Yesterday's file, found today with a higher number, belongs to yesterday."""
    order = in_order([reading(1, 300), reading(7, 100)], [printed(8, 200)], [])
    assert told(order) == ["P7", "log:8", "P1"]


def test_a_part_delivered_before_is_not_seen_twice() -> None:
    """A copied file brings no new part; a part with one new reading brings that one."""
    order = in_order(
        [
            reading(1, 100, "4101/12", 1.0, NOT_NEWS),
            reading(2, 200, "4101/12", 2.0, NOT_NEWS),
            reading(2, 200, "4101/13", 3.0),
        ],
        [],
        [],
    )
    (seen,) = order
    assert isinstance(seen, PartSeen)
    assert (seen.part, seen.deviations, seen.doubts) == ("P2", {"4101/13": 3.0}, ())


def test_a_doubted_reading_is_left_out_and_its_doubt_is_told() -> None:
    """The part stays in the series: somebody must know that it was measured and not believed."""
    order = in_order([reading(1, 100, "4101/12", 1.0, "nominal", "clock"), reading(1, 100, "4101/13", 2.0)], [], [])
    (seen,) = order
    assert isinstance(seen, PartSeen)
    assert seen.deviations == {"4101/13": 2.0}
    assert seen.doubts == ("nominal!", "clock!")


def test_a_value_keeps_its_digits() -> None:
    """Registers are exact decimals, not floats."""
    (seen,) = in_order([], [printed(1, 100, value="-0.0120")], [])
    assert isinstance(seen, RegisterSeen)
    assert str(seen.value) == "-0.0120"
    assert seen.value == Decimal("-0.012")


ROWS = st.lists(st.tuples(st.integers(0, 3), st.booleans()), min_size=1, max_size=8)


@given(times=ROWS, random=st.randoms(use_true_random=False))
def test_the_order_does_not_depend_on_how_the_rows_come(times: list[tuple[int, bool]], random: object) -> None:
    """The store may give its rows in any order; what happened happened once."""
    measurements = [reading(i, at) for i, (at, _) in enumerate(times)]
    prints = [printed(i, at, i if inside else None) for i, (at, inside) in enumerate(times)]
    shuffled, others = measurements[:], prints[:]
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    random.shuffle(others)  # type: ignore[attr-defined]

    order = in_order(measurements, prints, [])
    assert in_order(shuffled, others, []) == order
    moments = [happening.at_us for happening in order]
    assert moments == sorted(moments)


def completed(id: int, at_us: int, plan: str | None = "4101") -> PartRow:
    return PartRow(id, f"P{id}", at_us, plan)


def test_parts_without_a_reading_stand_before_the_next_one_with_one() -> None:
    """Probed on each third part: the two between pass before it, and those after the last wait at the end."""
    parts = [completed(id, 100 * id) for id in (4, 1, 2, 3, 5)]
    measurements = [reading(1, 100), reading(4, 400)]
    passed = unread(parts, measurements, {"4101/12"}, {"4101"})

    order = with_passed(passed, in_order(measurements, [printed(9, 200)], []))

    assert told(order) == ["P1", "log:9", "passed 2", "passed 3", "P4", "passed 5"]


def test_parts_of_other_plans_and_parts_delivered_again_pass_nobody() -> None:
    """A tool of this plan has not cut another plan's part, and cuts each of its own once."""
    parts = [completed(1, 100), completed(2, 200, "4202"), completed(3, 300, None), completed(4, 400)]
    again = reading(4, 400, "4101/21", 1.0, NOT_NEWS)
    assert unread(parts, [reading(1, 100), again], {"4101/12"}, {"4101"}) == []


def test_a_part_read_elsewhere_passes_a_group_that_did_not_read_it() -> None:
    """The floor is probed on each part, the bore is not: the cutter of the bore has worn all the same."""
    (passed,) = unread([completed(1, 100)], [reading(1, 100, "4101/21")], {"4101/12"}, {"4101"})
    assert (passed.part_id, passed.at_us) == (1, 100)
