"""Readings of parts that are not at 20 degC."""

from dataclasses import replace
from decimal import Decimal

import pytest

from feedback.configuration.facts import Feature, Machine
from feedback.expansion import expansion
from feedback.records import Record
from feedback.resolve import Measurement
from tests.configuration.cells import BORE, DATUM, feature, with_features
from tests.test_resolve import BORE as PLAIN_BORE
from tests.test_resolve import M1, PLAN, PLANS, resolved

ALUMINIUM = Decimal("23.6e-6")
FLANGE = replace(PLAIN_BORE, nominal=Decimal(100), expands_mm=Decimal(100))
WARM_PLAN = replace(PLAN, cte_per_k=ALUMINIUM, features={"12": FLANGE})


def _grown_um(feature: Feature = FLANGE, printed: str | None = "25", machine: Machine = M1) -> float:
    grown = expansion(feature, ALUMINIUM, None if printed is None else Decimal(printed), machine)
    assert isinstance(grown, Decimal)
    return float(grown * 1000)


def _measured(text: str, machine: Machine = M1) -> Measurement:
    records: list[Record] = resolved(text, machine=machine, plans={"4101": WARM_PLAN})
    (measured,) = records
    assert isinstance(measured, Measurement)
    return measured


def test_a_hot_part_is_brought_to_twenty_degrees() -> None:
    """100 mm of aluminium at 25 degC read 11.8 um too big; what was read stays as it was printed."""
    measured = _measured("FEATURE 12 ACTUAL 100.0118 TEMP 25")

    assert measured.actual == Decimal("100.0118")
    assert measured.deviation == 0


def test_scales_as_warm_as_the_part_hide_their_share() -> None:
    """Against uncompensated scales of 11.5e-6 /K the same part reads 6.05 um too big."""
    assert _grown_um(machine=replace(M1, scale_cte_per_k=Decimal("11.5e-6"))) == pytest.approx(6.05)


def test_what_the_control_takes_off_is_not_taken_off_twice() -> None:
    """A control that compensates prints readings at 20 degC, whatever temperature it prints beside them."""
    assert _grown_um(machine=replace(M1, temperature="compensated")) == 0.0


def test_a_set_temperature_stands_in_where_none_is_printed() -> None:
    """A shop that holds 23 degC says so once; a printed temperature goes first."""
    held = replace(M1, temperature=Decimal(23))

    assert _grown_um(printed=None, machine=held) == pytest.approx(7.08)
    assert _grown_um(printed="21", machine=held) == pytest.approx(2.36)
    assert _measured("FEATURE 12 ACTUAL 100.00708", held).deviation == 0


def test_without_temperature_or_material_nothing_is_guessed() -> None:
    """A reading of which either is unknown is used as printed."""
    assert _grown_um(printed=None) == 0.0
    assert expansion(FLANGE, None, Decimal(25), M1) == 0
    (measured,) = resolved("FEATURE 12 ACTUAL 25.0118 TEMP 25", plans=PLANS)
    assert isinstance(measured, Measurement)
    assert measured.deviation == Decimal("0.0118")


@pytest.mark.parametrize("printed", ["0.0", "77", "-40", "250"])
def test_a_temperature_no_shop_has_puts_the_reading_in_doubt(printed: str) -> None:
    """A dead thermometer or degrees Fahrenheit must not become micrometres."""
    (doubt,) = _measured(f"FEATURE 12 ACTUAL 100.0118 TEMP {printed}").doubts

    assert doubt.check == "temperature"
    assert "wanted 5 to 50 degC: check the thermometer and its unit" in doubt.words


def test_an_unused_temperature_is_not_judged() -> None:
    """A control that compensates may print what it likes."""
    measured = _measured("FEATURE 12 ACTUAL 100.0118 TEMP 77", replace(M1, temperature="compensated"))

    assert (measured.doubts, measured.deviation) == ((), Decimal("0.0118"))


def test_sizes_and_distances_expand_but_a_datum_does_not() -> None:
    """A datum says where the part lies; a wall 80 mm to the left of it moves further left; a plan may say otherwise."""
    wall = feature("2", kind="wall", axis="X", faces="-", tool=5, nominal="-80 mm", relative_to="31", work="54")
    lug = feature("3", kind="bore", tool=5, expands="0 mm")
    arm = wall.replace('id = "2"', 'id = "4"\nexpands = "30 mm"')

    (plan,) = with_features(BORE, DATUM, wall, lug, arm).plans.values()

    expands = {id: found.expands_mm for id, found in plan.features.items()}
    assert expands == {"12": 25, "31": 0, "2": -80, "3": 0, "4": -30}
