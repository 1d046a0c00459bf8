"""The last look at a snippet, and the codes it may contain."""

import pytest

from feedback.snippets import words
from feedback.snippets.check import check_snippet
from feedback.snippets.correction import SnippetError
from feedback.snippets.dialects import load_dialects
from feedback.snippets.render import render
from tests.snippets.corrections import correction, machine

DIALECTS = load_dialects(None)
GOOD = render(correction("work 54 X"), DIALECTS["rs274"], machine())


def changed(found: str, wanted: str) -> str:
    assert found in GOOD
    return GOOD.replace(found, wanted, 1)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (changed("G90\n", "G90\nG0 X1\n"), "is not a line of this dialect: G0 X1"),
        (changed("G90\n", "G91\n"), "is not a line of this dialect: G91"),
        (changed("X-0.018", "X-0,018"), "is not a line of this dialect: G10 L2 P1 X-0,018"),
        (changed("X-0.018", "X-1.8e-2"), "is not a line of this dialect"),
        (changed("X-0.018", "X-0.018 Y0"), "is not a line of this dialect"),
        (changed("(CELL", "((CELL"), "is not a line of this dialect: ((CELL"),
        (changed("CELL_3)", "CELL_3"), "is not a line of this dialect: (CELL"),
        (changed("CELL_3", "CELL 3"), "has a letter before a number in a comment"),
        (changed("(CELL =", "(MSG,CELL ="), "is not a line of this dialect: (MSG"),
        (changed("(CELL =", "(CELL = " + "X" * 80), "characters, wanted at most 80"),
        (changed("CELL", "C\u00cbLL"), "characters outside printable ASCII"),
        (changed("o102 endif\n", ""), "block 102 has no endif"),
        (changed("o101 if [#<_metric_machine> EQ 1]\n", ""), "block 101 has endif without its if"),
        (changed("G10 L2 P1 X-0.018\n", ""), "no line sets a register"),
        ("", "no line sets a register"),
    ],
)
def test_a_spoilt_snippet_is_not_handed_out(text: str, why: str) -> None:
    """Anything but the dialect's own lines and inert comments is named and refused."""
    with pytest.raises(SnippetError) as refused:
        check_snippet(text, DIALECTS["rs274"])

    assert why in str(refused.value)


@pytest.mark.parametrize("dialect", sorted(DIALECTS))
def test_a_snippet_of_another_dialect_is_foreign(dialect: str) -> None:
    """The check belongs to the dialect: each accepts its own and none of the others."""
    text = render(correction("tool 5 radius"), DIALECTS[dialect], machine())

    check_snippet(text, DIALECTS[dialect])
    for other in DIALECTS.keys() - {dialect}:
        with pytest.raises(SnippetError):
            check_snippet(text, DIALECTS[other])


HARMLESS = """
G10 L2 P1 X1.0
g10 l13 p5 r-0.018
G10 L1 P5 Z[#<held> + [1 - 2]]
G90
M2
M72
%
#<held> = #5221
(abort,HOLDS #<held>)
o100 if [#5400 NE 5]
TC_WEAR[5, 1] = -0.018
G21 ; X1
"""

HARMFUL = """
G0 X1
G00X1
G1 F100
X1.0
G53 Z0
G28
G38.2 Z-10
G43 H5
G91
G92 X0
G10 L2 P1 X1 G0
M3 S1000
M6
T5
M98 P100
S500
G#5 X1
G = 0 X1
G10.5 X1
N10 G90
M1
M 6
o100 while [1]
o100 call
o100 sub
(open
G90 )
O100
G70
G71 P1
"""


@pytest.mark.parametrize("line", HARMLESS.strip().splitlines())
def test_harmless_lines_pass(line: str) -> None:
    """Setting a register, stating the modal state, comparing and ending are all a snippet needs."""
    assert list(words.faults(line)) == []


@pytest.mark.parametrize("line", HARMFUL.strip().splitlines())
def test_whatever_moves_starts_or_calls_is_refused(line: str) -> None:
    """No motion, no spindle, no tool change, no call, no increment, however it is spelled."""
    assert list(words.faults(line)) != []
