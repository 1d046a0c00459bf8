"""Which registers a reading moves with: the sign table of the trade (common practice), checked by cutting a part."""

from fractions import Fraction

import pytest

from tests.configuration.cells import DATUM, HEAD, Bare, cell, faults, feature, with_features

SAYS_NOTHING = "the feature is read in the same coordinate system that cut it"


def moves(*features: str) -> dict[str, Fraction]:
    """The sensitivities of the last of these features."""
    (plan,) = with_features(*features).plans.values()
    *_, last = plan.features.values()
    return {str(register): ratio for register, ratio in last.moves.items()}


def fault(*features: str) -> str:
    (only,) = faults(plan=HEAD + "".join(features), limits="")
    return only


@pytest.mark.parametrize(
    ("kind", "keys", "register", "sensitivity"),
    [
        ("bore", {"tool": 5}, "tool 5 radius", -2),
        ("pocket", {"tool": 5, "axis": "X"}, "tool 5 radius", -2),
        ("boss", {"tool": 5}, "tool 5 radius", 2),
        ("web", {"tool": 5, "axis": "Y"}, "tool 5 radius", 2),
        ("wall", {"tool": 5, "axis": "X", "faces": "+"}, "tool 5 radius", 1),
        ("wall", {"tool": 5, "axis": "Y", "faces": "-"}, "tool 5 radius", -1),
        ("wall", {"tool": 5, "axis": "Y", "faces": "-", "work": "54"}, "tool 5 radius", -1),
        ("floor", {"tool": 7}, "tool 7 length", 1),
        ("depth", {"tool": 7}, "tool 7 length", -1),
        ("diameter", {"tool": 3, "side": "outside"}, "tool 3 x", 1),
        ("position", {"axis": "Y", "role": "datum", "work": "54"}, "work 54 Y", -1),
        ("position", {"axis": "Z", "role": "datum"}, "work 54 Z", -1),
        ("position", {"axis": "X", "role": "machined", "machined_in": "55"}, "work 55 X", 1),
    ],
)
def test_a_feature_moves_with_its_register(kind: str, keys: dict[str, object], register: str, sensitivity: int) -> None:
    """Each kind of feature tells about the register the sign table names, and no other."""
    assert moves(feature(kind=kind, **keys)) == {register: sensitivity}


def cut_wall(stored_radius: Fraction, worn_radius: Fraction, programmed: Fraction, side: int) -> Fraction:
    """Where a wall ends up: the path keeps the stored radius off it, the cutter takes its real radius."""
    path = programmed + side * stored_radius
    return path - side * worn_radius


@pytest.mark.parametrize(
    ("kind", "sides"), [("bore", (-1, 1)), ("boss", (1, -1)), ("pocket", (-1, 1)), ("web", (1, -1))]
)
def test_signs_of_sizes_follow_from_where_the_cutter_runs(kind: str, sides: tuple[int, int]) -> None:
    """Cutting both walls with a stored radius one larger changes the size by exactly the stated sensitivity.

    The wall on the + side of an inside feature faces -, that of an outside feature faces +.
    """
    right, left = (Fraction(25, 2), Fraction(-25, 2))

    def size(stored: Fraction) -> Fraction:
        return cut_wall(stored, Fraction(5), right, sides[0]) - cut_wall(stored, Fraction(5), left, sides[1])

    assert moves(feature(kind=kind, tool=5)) == {"tool 5 radius": size(Fraction(6)) - size(Fraction(5))}


@pytest.mark.parametrize(("faces", "side"), [("+", 1), ("-", -1)])
def test_signs_of_walls_follow_from_where_the_cutter_runs(faces: str, side: int) -> None:
    """A wall moves to the side where the air is when the stored radius grows."""
    moved = cut_wall(Fraction(6), Fraction(5), Fraction(0), side) - cut_wall(
        Fraction(5), Fraction(5), Fraction(0), side
    )
    assert moves(feature(kind="wall", tool=5, axis="X", faces=faces)) == {"tool 5 radius": moved}


def test_an_angle_moves_a_rotary_offset_in_degrees() -> None:
    """A datum line tells about the rotary work offset."""
    line = feature(kind="angle", nominal="0 deg", tolerance=Bare('["-0.05 deg", "0.05 deg"]'), axis="B", work="54")
    assert moves(line) == {"work 54 B": -1}
    (read,) = with_features(line).plans["4101"].features.values()
    assert read.unit == "deg"


def test_a_drilled_size_moves_nothing() -> None:
    """Drill, reamer, tap and form tool have their size ground in: no register changes it."""
    assert moves(feature(kind="drilled", tool=9)) == {}


def test_a_machined_feature_against_a_datum_moves_with_the_origin_that_cut_it() -> None:
    """Read against something that was there before, the cut shows where its origin was."""
    against = feature("2", kind="position", axis="X", role="machined", relative_to="31", work="54")
    assert moves(DATUM, against) == {"work 54 X": 1}


def test_a_wall_against_a_datum_moves_with_both_its_tool_and_its_origin() -> None:
    """Such a reading alone cannot say which of the two moved, so both are named."""
    wall = feature("2", kind="wall", axis="X", faces="+", tool=5, relative_to="31", work="54")
    assert moves(DATUM, wall) == {"tool 5 radius": 1, "work 54 X": 1}
    floor = feature("2", kind="floor", tool=5, machined_in="55")
    assert moves(floor) == {"tool 5 length": 1, "work 55 Z": 1}


@pytest.mark.parametrize(
    "keys",
    [
        {"kind": "position", "role": "machined"},
        {"kind": "position", "role": "machined", "work": "54"},
        {"kind": "position", "role": "machined", "machined_in": "54"},
        {"kind": "position", "role": "machined", "moves": Bare('{ "work 54 X" = 1 }')},
        {"kind": "wall", "faces": "+", "tool": 5, "moves": Bare('{ "work 54 X" = 1, "tool 5 radius" = 1 }')},
    ],
)
def test_a_feature_read_where_it_was_cut_says_nothing_about_the_offset(keys: dict[str, object]) -> None:
    """Cutting and probing share the error, so such a pair is refused with that explanation."""
    assert SAYS_NOTHING in fault(feature(axis="X", **keys))


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"kind": "wall", "axis": "X", "tool": 5}, "faces: is missing; wanted the side where the air is"),
        ({"kind": "wall", "faces": "+", "tool": 5}, "axis: is missing; wanted the axis of this wall: X, Y, Z"),
        ({"kind": "wall", "axis": "B", "faces": "+", "tool": 5}, "axis: found 'B'; wanted the axis of this wall"),
        ({"kind": "wall", "axis": "X", "faces": "+"}, "tool: is missing; wanted the number of the tool that finishes"),
        ({"kind": "floor", "axis": "X", "tool": 5}, "axis: found 'X'; wanted Z"),
        ({"kind": "position", "axis": "X"}, 'role: is missing; wanted role = "datum"'),
        ({"kind": "bore", "tool": 5, "role": "datum"}, "role: means nothing for a bore; wanted only for angle"),
        (
            {"kind": "position", "axis": "X", "role": "datum", "machined_in": "55"},
            "machined_in: means nothing for a datum",
        ),
        (
            {"kind": "position", "axis": "X", "role": "machined", "work": "55"},
            "work: found '55' alone; wanted machined_in = \"55\" if that system cut it",
        ),
        (
            {"kind": "position", "axis": "X", "role": "machined", "work": "55", "machined_in": "56"},
            "work: found '55' beside machined_in = '56'; wanted one of the two",
        ),
        (
            {"kind": "position", "axis": "X", "role": "machined", "relative_to": "31", "machined_in": "55"},
            "machined_in: is given together with relative_to",
        ),
        (
            {"kind": "position", "axis": "X", "role": "machined", "relative_to": "99", "work": "54"},
            "relative_to: found '99'; wanted the id of a datum position along X in this plan (there are: 31)",
        ),
        (
            {"kind": "position", "axis": "Y", "role": "machined", "relative_to": "31", "work": "54"},
            "relative_to: found '31'; wanted the id of a datum position along Y in this plan (there is none yet)",
        ),
        (
            {"kind": "position", "axis": "X", "role": "machined", "relative_to": "31"},
            "work: is missing; wanted the coordinate system that cut it",
        ),
        ({"kind": "drilled", "moves": Bare('{ "tool 5 radius" = -2 }')}, "moves: a drilled, reamed, tapped or"),
        ({"kind": "bore", "moves": Bare("{ 'tool 5 radius' = 5 }")}, "moves: found 5 for 'tool 5 radius'"),
        ({"kind": "bore", "moves": Bare("{ 'tool 5 radius' = nan }")}, "moves: found NaN for 'tool 5 radius'"),
        ({"kind": "bore", "moves": Bare("{ 'tool 5 radius' = '-2' }")}, "moves: found '-2' for 'tool 5 radius'"),
    ],
)  # fmt: skip
def test_what_a_plan_cannot_mean_is_refused(keys: dict[str, object], words: str) -> None:
    """Words that contradict each other, or that are missing, are named instead of guessed."""
    assert words in fault(DATUM, feature(**keys))


def test_an_angle_is_read_from_a_datum_line() -> None:
    """A machined line read where it was cut would say nothing."""
    line = feature(kind="angle", nominal="0 deg", tolerance=Bare('["-1 deg", "1 deg"]'), axis="B", role="machined")
    assert "wanted a datum line" in fault(line)


def test_stated_moves_replace_what_the_kind_would_give() -> None:
    """Somebody who knows the part better than the table says so, exactly."""
    assert moves(feature(kind="bore", tool=5, moves=Bare('{ "Tool 6 RADIUS" = -0.1, "tool 5 x" = 1 }'))) == {
        "tool 6 radius": Fraction(-1, 10),
        "tool 5 x": 1,
    }
    assert moves(feature(kind="bore", moves=Bare("{}"))) == {}


def test_a_position_cut_by_the_side_of_a_tool_lists_both_its_registers() -> None:
    """The table names the origin; that the cutter's radius moves it too, only the plan's writer knows."""
    both = Bare('{ "work 54 X" = 1, "tool 5 radius" = -1 }')
    cut = feature("2", kind="position", axis="X", role="machined", relative_to="31", work="54", moves=both)
    assert moves(DATUM, cut) == {"work 54 X": 1, "tool 5 radius": -1}


def test_extended_coordinate_systems_are_understood() -> None:
    """Shops with many fixtures use the extended offsets."""
    plan = HEAD.replace('"54"', '"54.1 p3"') + DATUM.replace('"54"', '"54.1 P3"')
    (read,) = cell(plan=plan, limits="").plans["4101"].features.values()
    assert [str(register) for register in read.moves] == ["work 54.1 P3 X"]
