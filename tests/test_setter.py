"""What the tool setter tells about a tool by itself: broken, changed, or fine."""

from decimal import Decimal

import pytest

from feedback.registers import Register
from feedback.series import SetterRow, ToolRow
from feedback.setter import SetterWatch, tells_of_break


def watch(implausible_mm: str = "0.3") -> SetterWatch:
    def implausible(_: Register) -> Decimal:
        return Decimal(implausible_mm)

    return SetterWatch(Decimal("0.2"), implausible, lambda mm: f"{mm} mm")


def looked(at_us: int, length: str | None = None, radius: str | None = None, tool: int = 5) -> SetterRow:
    return SetterRow(at_us, tool, length, radius, at_us, None, f"log:{at_us}", at_us)


def changed(at_us: int, tool: int = 5) -> ToolRow:
    return ToolRow(at_us, tool, at_us, None, f"log:{at_us}", at_us)


def test_the_first_reading_of_a_tool_is_compared_with_nothing() -> None:
    """What a tool measures when it is first seen is simply what it measures."""
    assert watch().see(looked(1, "132.4412", "4.9987")) is None


def test_a_tool_that_wore_is_not_broken() -> None:
    """Exactly the limit is not past it: a long backlog between two looks may hide that much wear."""
    setter = watch()
    assert setter.see(looked(1, "132.400", "5.000")) is None
    assert setter.see(looked(2, "132.200", "4.800")) is None


@pytest.mark.parametrize(
    ("length", "radius", "word"), [("132.199", "5.000", "shorter"), ("132.400", "4.799", "smaller")]
)
def test_a_tool_that_lost_more_than_the_limit_is_broken(length: str, radius: str, word: str) -> None:
    """Both lines are named, so that a person finds them."""
    setter = watch()
    setter.see(looked(1, "132.400", "5.000"))
    why = setter.see(looked(2, length, radius))
    assert why is not None
    assert f"0.201 mm {word} than before (log:1)" in why
    assert "(log:2)" in why
    assert tells_of_break(why)


def test_a_tool_that_grew_is_another_one() -> None:
    """Longer than any wear, with no new tool recorded: somebody has to look which tool stands there."""
    setter = watch()
    setter.see(looked(1, "132.400"))
    assert setter.see(looked(2, "132.690")) is None
    why = setter.see(looked(3, "133.000"))
    assert why is not None
    assert "0.310 mm longer" in why
    assert "no new tool was recorded" in why


def test_a_wide_break_limit_still_stops_at_the_implausible() -> None:
    """The shop may allow more loss than the register's limits call plausible; the narrower of the two counts."""
    setter = watch(implausible_mm="0.1")
    setter.see(looked(1, "132.400"))
    assert setter.see(looked(2, "132.280")) is not None


def test_a_new_tool_is_measured_afresh() -> None:
    """The tool before it was longer by two millimetres: that is no break."""
    setter = watch()
    setter.see(looked(1, "132.400"))
    assert setter.new_tool(changed(2))
    assert setter.see(looked(3, "130.400")) is None


def test_another_tools_change_excuses_nothing() -> None:
    """Tool 7 was changed, tool 5 is shorter: tool 5 is broken."""
    setter = watch()
    setter.see(looked(1, "132.400"))
    setter.new_tool(changed(2, tool=7))
    assert setter.see(looked(3, "130.400")) is not None


def test_each_axis_is_compared_with_its_own_last_reading() -> None:
    """A line that measures the length alone leaves the radius where it was."""
    setter = watch()
    setter.see(looked(1, "132.400", "5.000"))
    assert setter.see(looked(2, "132.399")) is None
    assert setter.see(looked(3, radius="4.7")) is not None


def test_a_reading_that_arrives_late_is_not_held_against_newer_ones() -> None:
    """Yesterday's file, found today, tells of yesterday's tool; so does a tool change in it."""
    setter = watch()
    setter.see(looked(10, "130.000"))
    assert setter.see(looked(5, "132.400")) is None
    assert not setter.new_tool(changed(6))
    assert setter.see(looked(11, "129.999")) is None


def test_after_a_break_the_next_reading_is_compared_with_it() -> None:
    """Once a person has released the shorter tool, its further readings are no news."""
    setter = watch()
    setter.see(looked(1, "132.400"))
    assert setter.see(looked(2, "131.400")) is not None
    assert setter.see(looked(3, "131.399")) is None
