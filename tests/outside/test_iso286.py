"""ISO 286 limit deviations against tables and a package that are not ours."""

import csv
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest

from feedback.configuration.iso286 import limit_deviations

DATA = Path(__file__).parent / "data"
STEPS = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)


def rows(name: str) -> Iterator[dict[str, str]]:
    text = (DATA / name).read_text(encoding="utf-8")
    yield from csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))


def deviations_um(size_mm: object, name: str) -> tuple[Decimal | int, Decimal | int]:
    """Upper and lower, as the tables print them."""
    lower, upper = limit_deviations(Decimal(str(size_mm)), name)
    return upper * 1000, lower * 1000


@pytest.mark.parametrize("source", ["iso286-limits.csv", "iso286-reprints.csv"])
def test_every_published_row_is_given_exactly(source: str) -> None:
    """A tolerance class means the same limits as on the inspector's wall chart."""
    published = list(rows(source))
    assert len(published) >= 85
    wrong = [
        (row["size_mm"], row["class"], deviations_um(row["size_mm"], row["class"]))
        for row in published
        if deviations_um(row["size_mm"], row["class"]) != (Decimal(row["upper_um"]), Decimal(row["lower_um"]))
    ]
    assert wrong == []


def test_deviations_of_the_finer_steps_are_those_of_the_textbook() -> None:
    """From 50 mm on, r and s change within a step: 60 r6 and 70 r6 differ."""
    for row in rows("iso286-fundamental-deviations.csv"):
        letter, size = row["letter"], row["size_mm"]
        upper, lower = deviations_um(size, f"{letter}{9 if letter.isupper() else 6}")
        assert (upper if letter.isupper() else lower) == Decimal(row["deviation_um"]), row


# A textbook of machine drawing, table 15.3: the lift of IT5, IT6, IT7 and IT8.
LIFTS = {
    200: (6, 9, 17, 26),
    300: (7, 9, 20, 29),
    350: (7, 11, 21, 32),
    450: (7, 13, 23, 34),
}


@pytest.mark.parametrize("size", LIFTS)
def test_fine_holes_are_lifted_as_the_textbook_says(size: int) -> None:
    """K, M and N up to grade 8 lie higher than the mirror image of the shaft, P to S up to grade 7."""
    ei = {letter: deviations_um(size, f"{letter}6")[1] for letter in "kmnprs"}
    for grade, lift in zip((5, 6, 7, 8), LIFTS[size], strict=True):
        letters = "kmnprs" if grade < 8 else "kmn"
        for letter in letters:
            if (letter, grade, size) == ("m", 6, 300):
                continue
            upper, _ = deviations_um(size, f"{letter.upper()}{grade}")
            assert upper == lift - ei[letter], (letter, grade)


def test_the_one_exception_of_the_standard_is_kept() -> None:
    """M6 over 250 up to 315 mm: upper deviation -9, not -11 (the same textbook, note to table 15.3)."""
    assert deviations_um(251, "M6") == (-9, -41)
    assert deviations_um(315, "M6") == (-9, -41)


SIZES = sorted({size for step in STEPS for size in (step, step - Decimal("0.5"))} | {Decimal("0.5"), Decimal("50.001")})


@pytest.mark.parametrize("letter", ["d", "e", "f", "g", "h", "js", "k", "m", "n", "p", "s"])
def test_an_independent_package_gives_the_same_shafts(letter: str) -> None:
    """Every size step, its edges, and every grade from 5 to 11."""
    from pressfit import fit  # type: ignore[import-untyped]

    fine = {Decimal(edge) + shift for edge in (65, 100, 140, 160, 200, 225, 280, 355, 450) for shift in (0, 1)}
    for size in sorted({*SIZES, *fine}):
        for grade in range(5, 12):
            other = fit(f"H7/{letter}{grade}", float(size))
            assert deviations_um(size, f"{letter}{grade}") == (
                Decimal(str(other.shaft_es_um)),
                Decimal(str(other.shaft_ei_um)),
            ), (size, grade)


def test_an_independent_package_gives_the_same_holes() -> None:
    """H from grade 5 to 11 over every size step and its edges."""
    from pressfit import fit

    for size in SIZES:
        for grade in range(5, 12):
            other = fit(f"H{grade}/h6", float(size))
            assert deviations_um(size, f"H{grade}") == (other.hole_es_um, other.hole_ei_um)


@pytest.mark.parametrize("letter", ["d", "e", "f", "g", "h", "js"])
def test_clearance_holes_mirror_their_shafts(letter: str) -> None:
    """For D to H and JS the hole is the shaft's mirror image at every size and grade (ISO 286-1)."""
    for size in SIZES:
        for grade in range(5, 12):
            upper, lower = deviations_um(size, f"{letter.upper()}{grade}")
            assert (-lower, -upper) == deviations_um(size, f"{letter}{grade}")


@pytest.mark.parametrize(
    ("size", "name", "upper_um", "lower_um"),
    [
        ("25", "R10", -28, -112),  # ISO 286-2:1988/Cor.1:2006, table 11 corrected
        ("8", "N9", 0, -36),  # the width of a key seat (common practice)
        ("8", "P9", -15, -51),  # likewise, for a tight key
        ("150", "M9", -15, -115),  # a textbook of machine drawing, table 15.3
    ],
)
def test_coarse_holes_are_not_lifted(size: str, name: str, upper_um: int, lower_um: int) -> None:
    """Above grade 8 (K, M, N) and 7 (P to S) the hole is the plain mirror image, and N has no upper deviation."""
    assert deviations_um(size, name) == (upper_um, lower_um)


def test_r_lies_between_p_and_s() -> None:
    """The standard made r the geometric mean of p and s: a table value may differ by its rounding only."""
    for size in sorted(
        {*SIZES, *map(Decimal, (60, 70, 90, 110, 130, 150, 190, 210, 240, 270, 300, 340, 380, 420, 480))}
    ):
        p, r, s = (float(deviations_um(size, f"{letter}6")[1]) for letter in "prs")
        assert abs(r - (p * s) ** 0.5) < 1.5, size


@pytest.mark.parametrize(
    ("size", "name", "words"),
    [
        ("501", "H7", "the table ends at 500 mm"),
        ("0", "H7", "the table ends at 500 mm"),
        ("25", "H4", "the table holds grades 5 to 11"),
        ("25", "H12", "the table holds grades 5 to 11"),
        ("25", "X7", "the table holds JS D E F G H K M N P R S for holes"),
        ("25", "Js7", "the table holds JS D E F G H K M N P R S for holes"),
        ("25", "K9", "the standard gives K up to grade 8"),
        ("0.8", "N9", "the standard gives it over 1 mm only"),
    ],
)
def test_what_the_tables_do_not_hold_is_refused(size: str, name: str, words: str) -> None:
    """Nobody gets a guessed tolerance: the limits can be stated instead."""
    with pytest.raises(ValueError, match=words) as error:
        limit_deviations(Decimal(size), name)
    assert str(error.value).endswith('state the limits instead, such as ["-0.010 mm", "+0.015 mm"]')
