"""What a calibration record must hold before anything is measured with it."""

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.configuration.facts import Artefact, ProbeLimits
from feedback.fitness.calibration import (
    Calibration,
    Values,
    failed_by_change_alone,
    shows_a_change,
    verdicts,
)
from feedback.fitness.verdict import Verdict, shown, worst

GOOD = {
    "RXP": "2.9912", "RXM": "2.9914", "RYP": "2.9913", "RYM": "2.9911",
    "OFFX": "0.0021", "OFFY": "-0.0008", "LENGTH": "147.3312", "BALL": "6",
}  # fmt: skip
RING = Artefact(
    name="RING1",
    kind="ring",
    size_mm=Decimal("40.000623"),
    uncertainty_mm=Decimal("0.0008"),
    cte_per_k=Decimal("11.5e-6"),
    error_limit_mm=Decimal("0.003"),
    due_s=None,
    due_parts=None,
    certificate_until=date(2027, 6, 1),
)
D_INCH = Decimal("25.4")
DAY = date(2026, 11, 25)


def values(**changed: str | None) -> Values:
    """The good values with some changed; None: printed without a value; "gone": not printed."""
    found = {**GOOD, **changed}
    return {word: None if value is None else Decimal(value) for word, value in found.items() if value != "gone"}


def judged(
    found: Values, last: Values | None = None, artefact: str | None = "RING1", on: date = DAY, **limits: Decimal
) -> tuple[Verdict, ...]:
    record = Calibration(probe=1, values=found, artefact=artefact, on=on)
    return verdicts(record, last, ProbeLimits(**limits), {"RING1": RING})


def failures(*found: Verdict) -> list[str]:
    return [verdict.words for verdict in found if verdict.outcome == "failed"]


def test_a_good_calibration_passes_and_says_what_was_looked_at() -> None:
    """Every value, every direction, both offsets, the length, the change and the ring."""
    found = judged(values(), values(RXP="2.9913"))
    assert worst(found) == "passed"
    assert [verdict.what for verdict in found] == [
        "values", "BALL", "RXP", "RXM", "RYP", "RYM", "+-X", "+-Y", "OFFX", "OFFY", "LENGTH", "change", "artefact",
    ]  # fmt: skip
    assert found[2].words == "effective radius RXP 2.9912 mm, half the nominal ball 3 mm: pre-travel 0.0088 mm"


@pytest.mark.parametrize("word", list(GOOD))
@pytest.mark.parametrize("how", [None, "gone"])
def test_every_missing_value_is_named(word: str, how: str | None) -> None:
    """Printed without a value or not at all: the calibration has failed, and the rest is judged all the same."""
    (words,) = failures(*judged(values(**{word: how})))
    assert words.startswith(f"missing {word}")
    assert ("printed without a value" in words) == (how is None)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"RYM": "3.0004", "RYP": "3.0003"}, "bigger than the ball by 0.0004 mm, which no probe does"),
        ({"RXP": "2.9699", "RXM": "2.9699"}, "pre-travel 0.0301 mm; wanted 0 mm to 0.03 mm"),
        ({"RXP": "2.9935"}, "+X and -X differ by 0.0021 mm; wanted at most 0.002 mm"),
        ({"OFFY": "-0.0201"}, "the ball stands -0.0201 mm from the spindle's axis along Y; wanted at most 0.02 mm"),
        ({"RXP": "5.9824", "RXM": "5.9825"}, "it looks like a diameter; have the program print the radius"),
        ({"BALL": "0.4"}, "nominal ball 0.4 mm; wanted 0.5 mm to 25 mm: look whether the record is in inches"),
        ({"LENGTH": "0.0001"}, "probe length 0.0001 mm; wanted 1 mm to 1000 mm"),
        ({"LENGTH": "14733.12"}, "probe length 14733.12 mm; wanted 1 mm to 1000 mm"),
    ],
)
def test_an_implausible_value_is_named_with_its_limit(changed: dict[str, str], words: str) -> None:
    """What was found and what was wanted, for each kind of bad value."""
    assert any(words in found for found in failures(*judged(values(**changed))))


@pytest.mark.parametrize(
    "changed", [{"RXP": "2.97", "RXM": "2.97"}, {"RXP": "3", "RXM": "3"}, {"RXP": "2.9934"}, {"OFFX": "0.020"}]
)
def test_a_value_on_its_limit_passes(changed: dict[str, str]) -> None:
    """Limits are the last good values."""
    assert failures(*judged(values(**changed))) == []


def test_values_unlike_the_last_ones_cast_doubt_backwards_and_not_forwards() -> None:
    """The new calibration is good; what was measured with the old one is not."""
    found = judged(values(), values(RXP="2.9880", OFFX="-0.0010"))
    (words,) = failures(*found)
    assert words == (
        "changed since the last calibration: RXP by +0.0032 mm, OFFX by +0.0031 mm; wanted at most 0.003 mm:"
        " what was measured until now is in doubt"
    )
    assert failed_by_change_alone(found)
    assert shows_a_change(found)
    worse = judged(values(RYM=None), values(RXP="2.9880"))
    assert (failed_by_change_alone(worse), shows_a_change(worse)) == (False, True)


def test_a_record_in_inches_on_a_metric_machine_has_failed() -> None:
    """A 6 mm ball printed as 0.23622: every radius is alike and the pre-travel small, and every size would be wrong."""
    inch = {
        word: None if value is None else (value / D_INCH).quantize(Decimal("1e-5")) for word, value in values().items()
    }
    (words,) = failures(*judged(inch))
    assert words == "nominal ball 0.23622 mm; wanted 0.5 mm to 25 mm: look whether the record is in inches"


def test_a_word_in_place_of_a_value_is_shown() -> None:
    """`RYM ABC` is not called empty: what stands there is what the program has to mend."""
    (words,) = failures(*judged({**values(RYM=None), "ABC": None}))
    assert "found ABC in the record, which is no value" in words


def test_another_stylus_is_not_compared_with_the_last_one() -> None:
    """A new ball has values of its own."""
    smaller = values(BALL="4", RXP="1.9910", RXM="1.9911", RYP="1.9912", RYM="1.9911", LENGTH="120")
    assert failures(*judged(smaller, values())) == []


@pytest.mark.parametrize(
    ("artefact", "on", "outcome", "words"),
    [
        ("RING1", date(2027, 6, 1), "passed", "ring RING1, certificate valid until 2027-06-01"),
        ("ring1", DAY, "passed", "ring RING1"),
        ("RING1", date(2027, 6, 2), "failed", "until 2027-06-01, used on 2027-06-02; have it certified again"),
        ("RNG1", DAY, "failed", "'RNG1' is unknown; wanted one of cell.toml for this machine: RING1; did"),
        (None, DAY, "caution", "does not say what was calibrated on"),
    ],
)  # fmt: skip
def test_the_artefact_is_named_and_in_date(artefact: str | None, on: date, outcome: str, words: str) -> None:
    """A ring that nobody knows, or whose certificate has run out, proves nothing."""
    found = judged(values(), artefact=artefact, on=on)[-1]
    assert (found.what, found.outcome) == ("artefact", outcome)
    assert words in found.words


def test_limits_of_the_shop_count() -> None:
    """A shop with a long stylus allows more."""
    wide = {"asymmetry_mm": Decimal("0.005"), "change_limit_mm": Decimal("0.010")}
    assert failures(*judged(values(RXP="2.9950"), values(), **wide)) == []


def test_an_inch_machine_is_answered_in_inches_and_certificates_keep_every_digit() -> None:
    """0.00001 in of a certificate is a tenth of a micrometre: it is not rounded away."""
    assert shown(Decimal("40.000623"), "mm") == "40.000623 mm"
    assert shown(Decimal("1.57483") * Decimal("25.4"), "inch") == "1.57483 in"
    assert shown(Decimal("0.002"), "inch") == "0.0000787 in"
    inch = {word: None if value is None else value * Decimal("25.4") / 24 for word, value in values().items()}
    record = Calibration(probe=1, values=inch, artefact=None, on=DAY)
    assert all(" mm" not in verdict.words for verdict in verdicts(record, None, ProbeLimits(), {}, "inch"))


@given(st.dictionaries(st.sampled_from([*GOOD, "EXTRA"]), st.none() | st.decimals("-1e6", "1e6", places=4), max_size=9))
def test_any_record_gets_verdicts_and_an_incomplete_one_never_passes(found: dict[str, Decimal | None]) -> None:
    """Whatever a control prints, there is an answer; nothing missing is ever called good."""
    given_ = judged(found)
    is_whole = all(found.get(word) is not None for word in GOOD)
    assert is_whole or worst(given_) == "failed"
