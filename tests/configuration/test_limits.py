"""Which limits are in force for which register."""

import pytest

from feedback.configuration.facts import Configuration
from feedback.registers import register
from rules.limits import Limits
from tests.configuration.cells import HEAD, Bare, cell, feature

TURN = feature("32", kind="angle", nominal="0 deg", tolerance=Bare('["-0.05 deg", "0.05 deg"]'), axis="B")


def limits(text: str, name: str) -> Limits:
    tables = [feature("1", kind="bore", tool=5), feature("2", kind="floor", tool=5)]
    plan = HEAD + "".join([*tables, feature("3", kind="position", axis="X", role="datum"), TURN])
    configuration: Configuration = cell(plan=plan, limits=text)
    return configuration.limits.for_register("M1", register(name))


def test_without_a_file_the_shipped_limits_are_in_force() -> None:
    """A cell is never without limits."""
    assert limits("", "tool 5 radius") == Limits()
    assert limits("", "work 54 X") == Limits()


def test_rotary_registers_have_limits_in_degrees() -> None:
    """Shipped: 0.010 deg a step, 0.100 deg in sum, 1 deg is implausible; inside in millidegrees."""
    rotary = limits("", "work 54 B")
    assert (rotary.step_um, rotary.travel_um, rotary.implausible_um) == (10.0, 100.0, 1000.0)
    assert rotary.band == Limits().band


def test_every_key_is_understood() -> None:
    """The contract's words, each landing where the rules look."""
    text = """
    [default]
    band = "25 %"
    aim = "0 %"
    step = "12.5 um"
    travel = "0.004 in"
    settle = 0
    evidence = "5 parts"
    confidence = "50 %"
    implausible = "0.5 mm"
    expires = "2 h"
    """
    assert limits(text, "tool 5 radius") == Limits(
        band=0.25,
        aim=0.0,
        step_um=12.5,
        travel_um=101.6,
        settle=0,
        evidence=5,
        confidence=0.5,
        implausible_um=500.0,
        expires_parts=None,
        expires_s=7200.0,
    )


NARROWING = """
[default]
band = "40 %"
step = "0.015 mm"
[kind.tool]
step = "0.012 mm"
[kind.rotary]
travel = "0.05 deg"
expires = "1 d"
[register."M1 tool 5 radius"]
band = "20 %"
expires = "3 parts"
[register."M1 WORK 54 B"]
step = "0.002 deg"
"""


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("tool 5 radius", Limits(band=0.2, step_um=12.0, expires_parts=3)),
        ("tool 5 length", Limits(band=0.4, step_um=12.0)),
        ("work 54 X", Limits(band=0.4, step_um=15.0)),
        (
            "work 54 B",
            Limits(band=0.4, step_um=2.0, travel_um=50.0, implausible_um=1000.0, expires_parts=None, expires_s=86400.0),
        ),
    ],
)
def test_narrower_tables_inherit_from_wider_ones(name: str, expected: Limits) -> None:
    """What a narrower table leaves out stays as the wider one said."""
    assert limits(NARROWING, name) == expected
