"""Readings find their planned feature, or are answered with what the plans know."""

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.configuration.facts import Feature, Machine, Plan
from feedback.reading.layouts import load_layouts
from feedback.reading.reader import LogReader
from feedback.records import Miss, Record, Unreadable
from feedback.resolve import Measurement, Text, resolve

M1 = Machine(
    name="M1",
    logs=(),
    layout="pairs",
    unit="mm",
    least_increment_mm=Decimal("0.001"),
    dialect="g10-memory",
    tool_radius="radius",
    lag=1,
    time_zone=ZoneInfo("Europe/Lisbon"),
)
BORE = Feature(
    plan="4101",
    id="12",
    name="bearing bore",
    kind="bore",
    unit="mm",
    nominal=Decimal(25),
    lower=Decimal(0),
    upper=Decimal("0.021"),
    tool=5,
    moves={},
)
TILT = replace(BORE, id="40", kind="angle", unit="deg", nominal=Decimal(0), tool=None)
FLANGE = replace(BORE, id="12B", name="flange bore")
PLAN = Plan(
    part="4101",
    path=Path("parts/4101.toml"),
    cte_per_k=None,
    probed_in="54",
    features={feature.id: feature for feature in (BORE, TILT, FLANGE)},
)
PLANS = {"4101": PLAN}


def resolved(
    lines: str, plan: str = "PLAN 4101", machine: Machine = M1, plans: dict[str, Plan] = PLANS
) -> list[Record]:
    """The records of the lines of one part, resolved, without its beginning."""
    text = f"PART 118 {plan} DATE 20261125 TIME 064512\n{lines}\n".encode()
    return resolve(LogReader(load_layouts(None)["pairs"], machine).push(text), plans, machine, Text(1, text))[1:]


def test_a_reading_becomes_a_measurement_of_its_feature() -> None:
    """The deviation is actual minus nominal, exactly, and the reading is kept beside it."""
    (measured,) = resolved("FEATURE 12 ACTUAL 24.9987 NOMINAL 25 TEMP 22.4")
    assert isinstance(measured, Measurement)
    assert measured.feature is BORE
    assert (measured.actual, measured.deviation) == (Decimal("24.9987"), Decimal("-0.0013"))
    assert (measured.line, measured.part, measured.plan) == (2, "118", "4101")
    assert (measured.temperature_c, measured.doubts) == (Decimal("22.4"), ())
    assert measured.reading.nominal == Decimal(25)
    assert measured.at == measured.reading.at


def test_a_measurement_is_a_value_like_any_other() -> None:
    """It equals the same made by its constructor, and cannot be changed."""
    (measured,) = resolved("FEATURE 12 ACTUAL 24.9987")
    assert isinstance(measured, Measurement)
    assert replace(measured) == measured
    assert repr(measured).startswith("Measurement(line=2, part='118'")
    with pytest.raises(AttributeError):
        measured.actual = Decimal(25)  # type: ignore[misc]


def test_other_records_pass_as_they_are() -> None:
    """Registers, ends and unreadable lines need no plan."""
    lines = "OFFSET TOOL 5 RADIUS -0.012\nMISS FEATURE 12\nFEATURE 12 ACTUAL\nEND 118"
    text = f"PART 118 PLAN 4101\n{lines}\n".encode()
    records = LogReader(load_layouts(None)["pairs"], M1).push(text)
    assert resolve(records, PLANS, M1, Text(1, text)) == records


@pytest.mark.parametrize("machine", [M1, replace(M1, unit="inch")])
def test_an_angle_is_degrees_on_an_inch_machine_too(machine: Machine) -> None:
    """The unit of lengths does not touch an angle."""
    (measured,) = resolved("FEATURE 40 ACTUAL 0.0123456789", machine=machine)
    assert isinstance(measured, Measurement)
    assert measured.actual == measured.deviation == Decimal("0.0123456789")


@given(st.decimals(min_value=-400, max_value=400, places=6))
def test_no_digit_is_lost_on_the_way(printed: Decimal) -> None:
    """Angles printed by an inch machine and deviations from nominal are exact."""
    inch = replace(M1, unit="inch")
    tilt, bore = resolved(f"FEATURE 40 ACTUAL {printed:f}\nFEATURE 12 ACTUAL {printed:f}", machine=inch)
    assert isinstance(tilt, Measurement)
    assert isinstance(bore, Measurement)
    assert Fraction(tilt.actual) == Fraction(printed)
    assert Fraction(bore.deviation) == Fraction(printed) * Fraction("25.4") - 25


@pytest.mark.parametrize(
    ("line", "plan", "reason"),
    [
        (
            "FEATURE 21 ACTUAL 1",
            "PLAN 4101",
            "found unknown feature '21' in plan 4101; its features: 12, 40, 12B",
        ),
        (
            "FEATURE 12B1 ACTUAL 1",
            "PLAN 4101",
            "found unknown feature '12B1' in plan 4101; its features: 12, 40, 12B; did you mean \"12B\"?",
        ),
        ("FEATURE 12 ACTUAL 1", "PLAN 4110", "found unknown plan '4110'; known plans: 4101; did you mean \"4101\"?"),
        (
            "FEATURE 12 ACTUAL 1",
            "",
            "the part states no plan; wanted PLAN and its name in the PART line; known plans: 4101",
        ),
        ("MISS FEATURE 99", "PLAN 4101", "found unknown feature '99' in plan 4101; its features: 12, 40, 12B"),
    ],
)
def test_unknown_names_are_answered_with_the_known_ones(line: str, plan: str, reason: str) -> None:
    """A reading nobody planned is kept as unreadable, with the plans or features there are."""
    (record,) = resolved(line, plan)
    assert isinstance(record, Unreadable)
    assert (record.line, record.part, record.text, record.reason) == (2, "118", line, reason)


def test_a_plan_made_for_other_machines_is_not_used() -> None:
    """A plan that names its machines is refused on any other."""
    (record,) = resolved("FEATURE 12 ACTUAL 1", plans={"4101": replace(PLAN, machines=("M2", "M3"))})
    assert isinstance(record, Unreadable)
    assert record.reason == (
        "plan 4101 is not for machine M1; its machines: M2, M3; add the machine to the plan if it cuts this part"
    )


def test_names_are_found_in_any_case_while_that_leaves_no_choice() -> None:
    """A control that prints small letters means the same feature; where two differ only in case, nothing is guessed."""
    (measured,) = resolved("FEATURE 12b ACTUAL 1")
    assert isinstance(measured, Measurement)
    assert measured.feature is FLANGE

    twins = {name: replace(BORE, id=name) for name in ("aB", "Ab")}
    exact, guess = resolved("FEATURE Ab ACTUAL 1\nFEATURE ab ACTUAL 1", plans={"4101": replace(PLAN, features=twins)})
    assert isinstance(exact, Measurement)
    assert exact.feature.id == "Ab"
    assert isinstance(guess, Unreadable)


def test_a_missed_feature_stays_missed() -> None:
    """A known feature on which the probe did not trigger is a finding of its own."""
    (record,) = resolved("MISS FEATURE 12")
    assert isinstance(record, Miss)
