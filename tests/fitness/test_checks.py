"""Checks on a certified artefact: what a true probe reads, and what a false one shows."""

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from feedback.configuration.facts import Artefact
from feedback.fitness.checks import Check, Outcome, expected_mm, outcome
from tests.fitness.test_calibration import DAY, RING

D = Decimal


@pytest.mark.parametrize(
    ("size", "cte", "scale", "temperature", "growth_um"),
    [
        # check-values: 50 mm steel ring at 23 degC -> 1.725 um (recomputed from 11.5e-6 /K, GUM H.1)
        ("50", "11.5e-6", None, "23", "1.725"),
        # 100 mm at 25 degC: steel 5.75 um, aluminium 6061 11.8 um (ASM and Callister coefficients, recomputed)
        ("100", "11.5e-6", None, "25", "5.75"),
        ("100", "23.6e-6", None, "25", "11.8"),
        # 200 mm of aluminium 6061 against a scale of 11.5e-6 /K at 28 degC -> 19.36 um (recomputed)
        ("200", "23.6e-6", "11.5e-6", "28", "19.36"),
        ("40", "11.5e-6", "11.5e-6", "35", "0"),  # ring and scales grow alike
        ("40", "11.5e-6", None, "20", "0"),
        ("40", "11.5e-6", None, "15", "-2.3"),
    ],
)
def test_a_certified_size_grows_with_the_temperature(
    size: str, cte: str, scale: str | None, temperature: str, growth_um: str
) -> None:
    """Worked lengths of the handbook coefficients, to the last digit."""
    artefact = replace(RING, size_mm=D(size), cte_per_k=D(cte))
    grown = expected_mm(artefact, D(temperature), None if scale is None else D(scale)) - D(size)
    assert grown * 1000 == D(growth_um)


def checked(actual: str, **facts: Any) -> Outcome:
    artefact: Artefact = facts.pop("artefact", RING)
    scale = facts.pop("scale", None)
    check = Check(artefact=facts.pop("name", "RING1"), actual=D(actual), on=facts.pop("on", DAY), **facts)
    return outcome(check, {artefact.name: artefact}, scale)


@pytest.mark.parametrize(
    ("actual", "result"),
    [("40.003623", "passed"), ("40.003624", "failed"), ("39.997623", "passed"), ("39.9976", "failed")],
)
def test_the_error_limit_is_the_last_good_value(actual: str, result: str) -> None:
    """The certified 40.000623 mm is held against to its last digit."""
    assert checked(actual, temperature_c=D(20)).result == result


def test_the_words_say_what_was_read_expected_and_how_sure_the_certificate_is() -> None:
    """An operator sees at once by how much; quality finds the uncertainty beside it."""
    found = checked("40.0066", temperature_c=D("20.0"))
    assert found.words == (
        "ring RING1 read 40.0066 mm, 0.005977 mm too big (expected 40.000623 mm, limit 0.003 mm,"
        " uncertainty of the certificate 0.0008 mm)"
    )
    assert (found.expected, found.error, found.limit) == (D("40.0006230"), D("0.0059770"), D("0.003"))


def test_a_reading_without_error_is_neither_too_big_nor_too_small() -> None:
    """Nobody is told of 0 mm too small."""
    assert checked("40.000623", temperature_c=D(20)).brief == "ring RING1 read as expected (limit 0.003 mm)"


def test_the_centre_is_held_against_its_own_limit() -> None:
    """A ring found 4 um off its place: the stylus is bent or has turned, though the size is right."""
    found = checked("40.0006", x=D("0.0040"), y=D("-0.0002"), temperature_c=D(20))
    assert found.result == "failed"
    assert found.words == "ring RING1 was found 0.004 mm off its place along X (limit 0.003 mm)"
    assert checked("40.0006", x=D("0.0040"), artefact=replace(RING, centre_limit_mm=D("0.005"))).result == "passed"


@pytest.mark.parametrize(("scale", "words"), [(None, "scale_cte is not stated"), (D("8e-6"), "expand by 8e-6 /K")])
def test_it_is_said_what_the_scales_were_taken_for(scale: Decimal | None, words: str) -> None:
    """Whether the scales grow with the machine changes the verdict, so the assumption is shown."""
    found = checked("40.0010", temperature_c=D(21), scale=scale)
    assert words in next(verdict.words for verdict in found.verdicts if verdict.what == "temperature")


def test_a_control_that_compensates_is_not_corrected_twice() -> None:
    """What it prints of a warm ring is the size at 20 degC already."""
    check = Check(artefact="RING1", actual=D("40.0006"), on=DAY, temperature_c=D(30))
    assert outcome(check, {"RING1": RING}, None).result == "failed"
    assert outcome(check, {"RING1": RING}, None, is_compensated=True).result == "passed"


def test_without_a_temperature_twenty_degrees_are_assumed_and_said() -> None:
    """A control that prints none leaves a caution."""
    (found,) = (verdict for verdict in checked("40.0006").verdicts if verdict.what == "temperature")
    assert (found.outcome, "20 degC" in found.words) == ("caution", True)


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"name": "RING9"}, "artefact 'RING9' is unknown"),
        ({"on": date(2027, 6, 2)}, "have it certified again"),
        ({"temperature_c": D("68")}, "found 68 degC on RING1; wanted 5 to 50 degC: check the thermometer and its unit"),
        ({"temperature_c": D("-40")}, "wanted 5 to 50 degC"),
    ],
)
def test_a_check_on_an_artefact_that_cannot_be_trusted_says_nothing(facts: dict[str, Any], words: str) -> None:
    """It neither passes nor fails, whatever was read."""
    for actual in ("40.0006", "41"):
        found = checked(actual, **facts)
        assert found.result == "void"
        assert found.words.startswith("this check says nothing about the probe")
        assert words in found.words


def test_a_check_read_in_another_unit_says_where_to_look() -> None:
    """1.5748 is the ring in inches: the check fails, and nobody searches the stylus for 38 mm."""
    found = checked("1.5748", temperature_c=D(20))
    assert found.result == "failed"
    for words in (found.words, found.brief):
        assert words.endswith("no probe is that far off; look at the unit, the artefact and its size in cell.toml")
    assert "no probe" not in checked("40.0066", temperature_c=D(20)).words


def test_a_control_that_compensates_may_print_any_temperature() -> None:
    """What is not used cannot spoil the check."""
    check = Check(artefact="RING1", actual=D("40.0006"), on=DAY, temperature_c=D(68))
    assert outcome(check, {"RING1": RING}, None, is_compensated=True).result == "passed"
