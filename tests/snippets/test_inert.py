"""Text that has become harmless."""

import pytest

from feedback.snippets.inert import acts, comment_lines, inert, parted, reads_as_word

CHARACTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 .,-+/*=_"


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("M1", "M_1"),
        ("tool 5", "TOOL_5"),
        ("X -1.5", "X_-1.5"),
        ("x=1.5", "X_1.5"),
        ("G.0", "G_.0"),
        ("end)\nG0 X1\n(", "END_ G_0 X_1 _"),
        ("Größe 5 µm", "GROSSE_5 _M"),
        ("\uff2d\uff16", "M_6"),  # full-width letters and digits
        ("a\tb\x00c", "A B_C"),
        ("50 %; #5221 'q' \"q\"", "50 __ _5221 _Q_ _Q_"),
        ("   ", ""),
    ],
)
def test_text_becomes_inert(text: str, wanted: str) -> None:
    """Nothing is left that ends a comment, starts a block or reads as a word."""
    assert inert(text, CHARACTERS) == wanted


def test_lower_case_stays_where_the_reader_takes_it() -> None:
    """A sheet for people keeps the shop's own spelling."""
    assert inert("Cell north", CHARACTERS + "abcdefghijklmnopqrstuvwxyz") == "Cell north"


@pytest.mark.parametrize("line", ["T5", "T 5", "T - .5", "t,5", "CELL NO. 3"])
def test_a_sloppy_reader_is_feared(line: str) -> None:
    """A letter before a number is found across blanks and signs, and parted."""
    assert reads_as_word(line)
    assert not reads_as_word(parted(line))


@pytest.mark.parametrize("line", ["NOW = -0.012", "TOOL_5", "12, 14", "5T"])
def test_parted_text_is_left_alone(line: str) -> None:
    """What cannot be read as a word is not changed."""
    assert parted(line) == line


@pytest.mark.parametrize("line", ["MSG, HELLO", "m s g,x", "PRINT", "DEBUG", "LOGOPEN", "ABORT", "PROBEOPEN", "PY,X"])
def test_words_that_make_a_comment_act_never_come_first(line: str) -> None:
    """Some interpreters obey comments that begin so; ours never do."""
    assert acts(line)
    (written,) = comment_lines(line, opening="(", closing=")", longest=80)
    assert not acts(written[1:-1])


def test_long_text_is_wrapped_into_closed_comments() -> None:
    """Each line is a comment of its own, none longer than the control takes."""
    lines = comment_lines(
        "FEATURES = " + ", ".join(str(number) for number in range(60)), opening="(", closing=")", longest=60
    )

    assert len(lines) > 3
    assert all(line[0] == "(" and line[-1] == ")" and len(line) <= 60 for line in lines)
    assert all(line.startswith("(... ") for line in lines[1:])


def test_no_continued_line_acts() -> None:
    """A wrapped text cannot bring an acting word to the front of a line."""
    lines = comment_lines("X " * 20 + "MSG, HELLO", opening="(", closing=")", longest=44)

    assert len(lines) > 1
    assert not any(acts(line[1:-1]) for line in lines)
