"""Sudden changes held against each other."""

import pytest

from feedback.common import Jump, Jumps, cause_told
from feedback.registers import register

PROBE = "probe that reads all sizes wrong"


def jump(name: str, size_um: float, number: int = 124) -> Jump:
    return Jump(register=register(name), number=number, part=str(number), size_um=size_um)


def shared(*jumps: Jump) -> str | None:
    known = Jumps()
    known.add(jumps)
    return known.shared_by(jumps[0].register, since=0)


def test_one_tool_alone_shares_nothing() -> None:
    """A new edge is its own tool's business, radius and length together."""
    assert shared(jump("tool 5 radius", 8.0)) is None
    assert shared(jump("tool 5 radius", 8.0), jump("tool 5 length", -4.0)) is None
    assert shared(jump("work 54 X", 40.0), jump("work 54 Y", -12.0)) is None


@pytest.mark.parametrize(
    "others",
    [
        [("tool 6 radius", -6.4)],
        [("tool 6 radius", -6.4), ("work 54 X", -6.1), ("work 54 Y", 5.2)],
    ],
)
def test_all_sizes_alike_look_like_the_probe(others: list[tuple[str, float]]) -> None:
    """Every radius by the same, faces by as much on either side: that is the probe."""
    words = shared(jump("tool 5 radius", -6.0), *(jump(*other) for other in others))
    assert words is not None
    assert PROBE in words
    assert cause_told(words) == "probe"


@pytest.mark.parametrize(
    "other", [("tool 6 radius", 6.0), ("tool 6 radius", -14.0), ("tool 7 length", -6.0), ("work 54 Z", -6.0)]
)
def test_other_companies_are_not_called_the_probe(other: tuple[str, float]) -> None:
    """Opposite or unequal radii, or a length, moved by something else: it is said that they moved together, no more."""
    words = shared(jump("tool 5 radius", -6.0), jump(*other))
    assert words is not None
    assert PROBE not in words
    assert cause_told(words) == "unknown"


def test_jumps_far_apart_are_two_events() -> None:
    """Two edges changed in one shift, ten parts apart, are two edges."""
    assert shared(jump("tool 5 radius", -6.0, 124), jump("tool 6 radius", -6.0, 134)) is None


def test_what_is_old_or_told_is_not_told_again() -> None:
    """A person who has released a register is not asked about the same change again."""
    known = Jumps()
    known.add([jump("tool 5 radius", -6.0), jump("tool 6 radius", -6.0)])
    five, six = register("tool 5 radius"), register("tool 6 radius")

    assert known.shared_by(five, since=125) is None
    assert known.shared_by(five, since=120) is not None
    assert known.shared_by(five, since=120) is None
    assert known.shared_by(six, since=120) is not None


def test_a_recorded_tool_explains_its_jump() -> None:
    """A new tool that is on record shares nothing with the others."""
    known = Jumps()
    known.add([jump("tool 5 radius", -6.0), jump("tool 6 radius", -6.0)])
    known.forget_tool(6)
    assert known.shared_by(register("tool 5 radius"), since=0) is None


NEWEST = 122  # the machine's newest part, of which the ten latest are news


def with_new_tool(*others: Jump, since: int = NEWEST - 10) -> Jumps:
    known = Jumps()
    known.forget_tool(5)
    assert known.shared_by(register("tool 5 radius"), since) is None
    known.add(others)
    return known


def test_a_new_tool_does_not_hide_what_moved_everything() -> None:
    """Where another tool and the part jump just as a new tool is recorded, the new tool's sizes are not its own."""
    known = with_new_tool(jump("tool 6 radius", -6.0), jump("work 54 X", 6.0))
    five = register("tool 5 radius")

    words = known.shared_by(five, since=NEWEST - 8)

    assert words is not None
    assert "new tool 5 was recorded" in words
    assert "tool 6 radius by -6.0 um at part 124" in words
    assert cause_told(words) == "unknown"
    assert known.shared_by(five, since=NEWEST - 8) is None


@pytest.mark.parametrize("others", [[], [("tool 6 radius", -6.0)], [("work 54 X", 9.0), ("work 54 Y", -9.0)]])
def test_a_new_tool_beside_one_other_change_is_its_own(others: list[tuple[str, float]]) -> None:
    """Two edges changed at once, or a fixture set anew with the tool, is a morning's work and nothing strange."""
    known = with_new_tool(*(jump(*other) for other in others))
    assert known.shared_by(register("tool 5 radius"), since=NEWEST - 8) is None


def test_a_tool_recorded_long_before_is_not_asked_about() -> None:
    """What moves everything else later would have moved this tool's sizes as well, for all to see."""
    known = with_new_tool(jump("tool 6 radius", -6.0), jump("work 54 X", 6.0), since=NEWEST - 20)
    assert known.shared_by(register("tool 5 radius"), since=NEWEST - 8) is None


def test_a_tool_changed_after_the_event_is_its_own() -> None:
    """Whoever looks what moved and changes a tool on the way has that tool free."""
    known = Jumps()
    known.add([jump("tool 6 radius", -6.0), jump("work 54 X", 6.0)])
    known.forget_tool(5)
    assert known.shared_by(register("tool 5 radius"), since=NEWEST - 10) is None
