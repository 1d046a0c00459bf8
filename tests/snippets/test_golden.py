"""Whole snippets, kept to be read by people: the form of each dialect for each kind of register."""

from decimal import Decimal

import pytest

from feedback.configuration.facts import Machine
from feedback.snippets.correction import Correction
from feedback.snippets.dialects import load_dialects
from feedback.snippets.render import render
from tests.conftest import Golden
from tests.snippets.corrections import correction, machine

DIALECTS = load_dialects(None)

WORK_MOVED = correction(
    "work 54 X",
    now="102.345",
    change="-0.010",
    cause="part-moved",
    was_cut=True,
    features=tuple(str(number) for number in range(31, 56)),
)
INCH_WEAR = correction("tool 5 length", now="-0.0254", change="-0.00508")  # -0.0010 in by -0.0002 in
RADIUS_WEAR = correction("tool 5 radius")
TURNED = correction("tool 3 x", features=("7",))
TABLE = correction("work 55 B", now="0.250", change="0.004", cause="part-moved")
EXTENDED = correction("work 54.1 P3 Z", now="-210.004", change="0.012", cause="warm-up")

CASES: list[tuple[str, Correction, Machine]] = [
    ("work_mm", WORK_MOVED, machine()),
    ("tool_length_inch", INCH_WEAR, machine("inch")),
    ("tool_radius_mm", RADIUS_WEAR, machine()),
    ("tool_radius_shown_as_diameter", RADIUS_WEAR, machine(tool_radius="diameter")),
    ("rotary", TABLE, machine()),
]


@pytest.mark.parametrize("dialect", sorted(DIALECTS))
@pytest.mark.parametrize(("name", "made", "shop"), CASES)
def test_snippets_read_as_reviewed(golden: Golden, dialect: str, name: str, made: Correction, shop: Machine) -> None:
    """What is handed to the operator is, letter for letter, what was last reviewed."""
    form = DIALECTS[dialect]

    golden(f"{dialect}_{name}{form.suffix}", render(made, form, shop))


@pytest.mark.parametrize(
    ("dialect", "name", "made"),
    [("sheet", "tool_x", TURNED), ("sheet", "work_extended", EXTENDED), ("g10-memory", "work_extended", EXTENDED)],
)
def test_rarer_registers_read_as_reviewed(golden: Golden, dialect: str, name: str, made: Correction) -> None:
    """Likewise for registers that not every dialect can write."""
    form = DIALECTS[dialect]

    golden(f"{dialect}_{name}{form.suffix}", render(made, form, machine()))


def test_half_increments_of_a_diameter_are_written_in_full() -> None:
    """A page in diameters can hold half a step of radius; the new value shows as a whole step of diameter."""
    made = correction("tool 5 radius", now="-0.0125", change="-0.0060")

    text = render(made, DIALECTS["g10-memory"], machine(tool_radius="diameter"))

    assert "G10 L13 P5 R-0.037" in text.splitlines()
    assert made.new == Decimal("-0.0185")
