"""Layouts: shipped ones, a shop's own, and what is answered to faulty ones."""

from decimal import Decimal
from pathlib import Path

import pytest

from feedback.errors import ConfigurationError
from feedback.reading.layouts import layout, load_layouts
from feedback.records import PartBegin, Reading
from tests.reading.control import METRIC, read


def faults(text: str) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        layout(Path("own.toml"), text)
    return str(caught.value).splitlines()


def test_pairs_and_columns_are_shipped() -> None:
    """A cell without layouts of its own can read both shipped ones."""
    assert {name: layout.kind for name, layout in load_layouts(None).items()} == {
        "pairs": "pairs",
        "columns": "columns",
    }


def test_a_shop_adds_its_own(tmp_path: Path) -> None:
    """Every TOML file in the shop's layouts folder is a layout called by its file name."""
    (tmp_path / "lathe.toml").write_text('kind = "pairs"\ntime = "hmmss"\n', encoding="utf-8")
    assert set(load_layouts(tmp_path)) == {"pairs", "columns", "lathe"}
    assert load_layouts(tmp_path)["lathe"].name == "lathe"
    assert set(load_layouts(tmp_path / "missing")) == {"pairs", "columns"}


def test_every_fault_of_every_file_is_told_at_once(tmp_path: Path) -> None:
    """Nobody should have to correct one fault to be shown the next."""
    folder = tmp_path
    (folder / "a.toml").write_text('kind = "pairs"\ndate = "ddmmyy"\ntime = "hh"\n', encoding="utf-8")
    (folder / "b.toml").write_text("kind = pairs\n", encoding="utf-8")
    (folder / "c.toml").write_bytes(b'kind = "p\xe4irs"\n')
    (folder / "pairs.toml").write_text('kind = "pairs"\n', encoding="utf-8")
    with pytest.raises(ConfigurationError) as caught:
        load_layouts(tmp_path)
    told = [(fault.path.name, fault.line) for fault in caught.value.faults]
    assert told == [("a.toml", 2), ("a.toml", 3), ("b.toml", 1), ("c.toml", 1), ("pairs.toml", 1)]
    assert str(caught.value.faults[-1]).endswith(
        "pairs.toml:1: a layout called 'pairs' is shipped; choose another file name"
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('kind = "table"', 'own.toml:1: wanted kind = "pairs", "columns" or "lines"'),
        ('date = "yyyymmdd"', 'own.toml:1: wanted kind = "pairs", "columns" or "lines"'),
        (
            'kind = "pairs"\ndate = "ddmmyy"',
            (
                "own.toml:2: date: found 'ddmmyy'; wanted a date form made of yyyy, mm and dd,"
                ' such as "yyyymmdd" or "dd.mm.yyyy"'
            ),
        ),
        (
            'kind = "pairs"\ncolour = "red"',
            "own.toml:2: colour: unknown key; remove it or see the shipped layouts for the keys there are",
        ),
        (
            'kind = "columns"\n[columns]\npart = "Part"\nactual = "Actual"',
            "own.toml:2: columns: wanted the header's name for feature",
        ),
        (
            'kind = "columns"\n[columns]\npart = "P"\nactual = "A"\nfeature = "p"',
            "own.toml:2: columns: one header name stands for two columns; wanted a name for each",
        ),
        (
            'kind = "lines"\n\n[[line]]\nrecord = "end"\npattern = "END (?P<end>"',
            (
                "own.toml:5: line.0.pattern: 'END (?P<end>' is not a regular expression:"
                " missing ), unterminated subpattern at position 4"
            ),
        ),
        (
            'kind = "lines"\n[[line]]\nrecord = "end"\npattern = \'END (?P<part>.*)\'',
            "own.toml:2: line.0: group part means nothing in a 'end' line; wanted date, end, time",
        ),
        (
            'kind = "lines"\n[[line]]\nrecord = "feature"\npattern = \'(?P<feature>.*)\'',
            "own.toml:2: line.0: a 'feature' line needs a group named actual",
        ),
        ('kind = "lines"\nskip = ["("]\nline = []', None),
        (
            'kind = "pairs"\nwords = { DIM = "SIZE" }',
            (
                "own.toml:2: words: 'DIM' is to mean 'SIZE'; wanted one of A, ACTUAL, ARTEFACT, B, C, CALIBRATION,"
                " DATE, DIAMETER, END, FEATURE, LENGTH, LOWER, MISS, NEWTOOL, NOMINAL, OFFSET, P, PART, PLAN, POINT,"
                " PROBE, RADIUS, REPEAT, SETTER, TEMP, TIME, TOOL, UNIT, UPPER, WORK, X, Y, Z"
            ),
        ),
    ],
)
def test_faults_are_told_with_file_and_line(text: str, told: str | None) -> None:
    """A faulty layout is answered with where, what was found and what was wanted."""
    if told is None:
        assert [line.split(":")[1] for line in faults(text)] == ["2", "3"]
    else:
        assert faults(text) == [told]


def test_a_control_may_have_its_own_words() -> None:
    """A layout of pairs can give the control's words their meaning."""
    own = layout(
        Path("own.toml"), 'kind = "pairs"\n[words]\nRUN = "PART"\nJOB = "PLAN"\nDIM = "FEATURE"\nmeas = "actual"\n'
    )
    text = "RUN 118 JOB 4101\nDIM 12 MEAS 24.9987\nFEATURE 13 ACTUAL 9\n"
    records = read(text, METRIC, own)
    assert records[0] == PartBegin(line=1, part="118", plan="4101")
    assert [(record.feature, record.actual) for record in records if isinstance(record, Reading)] == [
        ("12", Decimal("24.9987")),
        ("13", Decimal(9)),
    ]


def test_an_own_word_for_the_part_is_missed_too_when_its_line_is_garbled() -> None:
    """An unreadable beginning ends the part before it, whatever the control calls it."""
    own = layout(Path("own.toml"), 'kind = "pairs"\n[words]\nRUN = "PART"\n')
    records = read("RUN 118\nRUN 119 X\nFEATURE 12 ACTUAL 1\n", METRIC, own)
    assert [type(record).__name__ for record in records] == ["PartBegin", "PartEnd", "Unreadable", "Unreadable"]
