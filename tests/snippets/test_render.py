"""What a snippet says, and when none is written."""

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from feedback.configuration.facts import Machine
from feedback.registers import Register
from feedback.snippets.check import executed_lines
from feedback.snippets.correction import Correction, SnippetError
from feedback.snippets.dialects import load_dialects
from feedback.snippets.inert import acts, reads_as_word
from feedback.snippets.render import render
from tests.snippets.corrections import correction, machine

DIALECTS = load_dialects(None)


def executed(made: Correction, shop: Machine, dialect: str = "g10-memory") -> list[str]:
    """The lines that set something."""
    lines = executed_lines(render(made, DIALECTS[dialect], shop), DIALECTS[dialect])
    return [line for line in lines if line.startswith(("G10", "ENTER"))]


@pytest.mark.parametrize(
    ("made", "shop", "wanted"),
    [
        (correction("tool 5 radius"), machine(), "G10 L13 P5 R-0.018"),
        (correction("tool 5 radius"), machine(tool_radius="diameter"), "G10 L13 P5 R-0.036"),
        (correction("tool 12 length", "0", "-0.004"), machine(), "G10 L11 P12 R-0.004"),
        (correction("tool 12 length", "0", "-0.004"), machine(tool_radius="diameter"), "G10 L11 P12 R-0.004"),
        (correction("tool 5 radius", "-0.0254", "-0.00508"), machine("inch"), "G10 L13 P5 R-0.0012"),
        (correction("tool 5 radius", "-0.0254", "-0.00508"), machine("inch", "diameter"), "G10 L13 P5 R-0.0024"),
        (correction("work 54 Z", "-210.004", "0.004"), machine(), "G10 L2 P1 Z-210.000"),
        (correction("work 59 Y", "0.006", "-0.006"), machine(), "G10 L2 P6 Y0.000"),
        (correction("work 54.1 P48 X", "1", "0.01"), machine(), "G10 L20 P48 X1.010"),
        (correction("work 54 B", "359.999", "0.001"), machine("inch"), "G10 L2 P1 B360.000"),
    ],
)
def test_values_are_written_as_the_register_holds_them(made: Correction, shop: Machine, wanted: str) -> None:
    """Radius or diameter, mm or inch, and every digit of the least increment: applied once, exactly."""
    assert executed(made, shop) == [wanted]


@pytest.mark.parametrize(("unit", "code"), [("mm", "G21"), ("inch", "G20")])
@pytest.mark.parametrize("dialect", ["g10-memory", "rs274"])
def test_unit_and_absolute_mode_are_written_out(dialect: str, unit: Any, code: str) -> None:
    """The control may be in the other unit or in increments; the snippet relies on neither."""
    text = render(correction("work 54 X", "0", "0.254"), DIALECTS[dialect], machine(unit))

    lines = executed_lines(text, DIALECTS[dialect])
    assert lines.index("G90") < lines.index(code) < next(i for i, line in enumerate(lines) if line.startswith("G10"))


@pytest.mark.parametrize("dialect", sorted(DIALECTS))
def test_says_all_that_a_reviewer_needs(dialect: str) -> None:
    """Register, old, new, change, unit, origin, features, parts, expiry and the cautions stand in comments."""
    text = render(correction("tool 5 radius", was_cut=True), DIALECTS[dialect], machine()).upper()

    wanted = (
        "PROPOSAL = P-KFHTWQ",
        "CELL = CELL_3",
        "MACHINE = M_1",
        "REGISTER = TOOL_5 RADIUS",
        "VALUES ARE = RADIUS VALUES IN MILLIMETRES",
        "NOW = -0.012",
        "NEW = -0.018",
        "CHANGE = -0.006",
        "CAUSE = WEAR",
        "FEATURES = 12, D_14",
        "PARTS = 110, 118",
        "EXPIRES = AFTER PART_128",
        "CUT SHORT BY THE LIMIT",
        "CHECK THE OFFSET PAGE BEFORE AND AFTER",
        "SPINDLE STOPPED AND AXES CLEAR",
        "SINGLE BLOCK WITH REDUCED RAPID",
        "MEASURE THE FIRST PART",
        "MANUAL OF THE MACHINE BUILDER",
    )
    assert [words for words in wanted if words not in text] == []


def test_a_whole_step_is_not_called_cut_short() -> None:
    """Only a step that the limit shortened says so."""
    assert "CUT SHORT" not in render(correction(was_cut=False), DIALECTS["sheet"], machine())


def test_a_page_in_diameters_is_pointed_out_where_the_code_takes_radius() -> None:
    """An operator who checks the page against the snippet must know that one shows twice the other."""
    told = "THE OFFSET PAGE SHOWS DIAMETER"

    assert told in render(correction(), DIALECTS["rs274"], machine(tool_radius="diameter"))
    assert told not in render(correction(), DIALECTS["rs274"], machine())
    assert told not in render(correction(), DIALECTS["g10-memory"], machine(tool_radius="diameter"))


@pytest.mark.parametrize(
    ("name", "dialect", "why"),
    [
        ("tool 5 x", "g10-memory", "dialect g10-memory cannot write it"),
        ("tool 5 z", "rs274", "dialect rs274 cannot write it"),
        ("work 54.1 P3 X", "rs274", "dialect rs274 has no words for work 54.1 P3; it knows 54, 55"),
        ("work 59.1 X", "g10-memory", "dialect g10-memory has no words for work 59.1"),
        ("work 54.1 X", "g10-memory", "dialect g10-memory has no words for work 54.1"),
    ],
)
def test_what_a_dialect_cannot_express_is_refused_in_words(name: str, dialect: str, why: str) -> None:
    """No guess: the message says for what, why, and that the sheet can do it."""
    with pytest.raises(SnippetError) as refused:
        render(correction(name), DIALECTS[dialect], machine())

    assert str(refused.value).startswith(f"M1 {name}, proposal p-kfhtwq: {why}")
    assert 'set dialect = "sheet"' in str(refused.value)
    assert render(correction(name), DIALECTS["sheet"], machine())


@pytest.mark.parametrize(
    ("made", "shop", "why"),
    [
        (
            correction(change="-0.0065"),
            machine(),
            "found new value -0.0185 mm; wanted whole least increments of 0.001 mm",
        ),
        (correction(), machine("inch"), "found new value -0.018 mm; wanted whole least increments of 0.00254 mm"),
        (correction(machine="M2"), machine(), "found a correction for machine 'M2'; wanted one for 'M1'"),
        (correction(new=Decimal("-0.017")), machine(), "found -0.012 and -0.006 giving -0.017"),
        (
            correction(now="-0.01200001", change="-0.00599999"),
            machine(),
            "found -0.01200001 mm; dialect g10-memory writes at most 4 digits after the point",
        ),
        (correction(register=Register("tool 5\nG0 X1", "radius")), machine(), "found a register name that is none"),
    ],
)
def test_values_that_do_not_fit_are_refused(made: Correction, shop: Machine, why: str) -> None:
    """A value the register cannot hold, another machine's, or one that contradicts itself gives no snippet."""
    with pytest.raises(SnippetError, match=r"nothing was written|check unit and least_increment") as refused:
        render(made, DIALECTS["g10-memory"], shop)

    assert why in str(refused.value)


hostile = st.text(max_size=120) | st.sampled_from(
    [
        "M1",
        "M 1",
        "M - 1",
        ")\nG0 X1",
        "(msg,hi)",
        "%",
        "; T5",
        "X=1",
        "print, x",
        "\u212b5 \uff2d\uff11",
        "e9" * 60,
        "A" * 200,
    ]
)


@given(
    texts=st.fixed_dictionaries(dict.fromkeys(("id", "cell", "cause", "expires"), hostile)),
    features=st.lists(hostile, max_size=6).map(tuple),
    parts=st.lists(hostile, max_size=3).map(tuple),
    dialect=st.sampled_from(sorted(DIALECTS)),
)
@example(texts={"id": ")\nG0 X1\n("}, features=(), parts=(), dialect="rs274")
def test_no_text_can_leave_its_comment(
    texts: dict[str, str], features: tuple[str, ...], parts: tuple[str, ...], dialect: str
) -> None:
    """Whatever a log or plan says, the lines a control executes stay the same, and no comment can be read as code."""
    form = DIALECTS[dialect]
    plain = render(correction(), form, machine())

    text = render(correction(**texts, features=features, parts=parts), form, machine())

    assert executed_lines(text, form) == executed_lines(plain, form)
    comments = [line for line in text.splitlines() if line not in executed_lines(text, form)]
    assert [line for line in comments if reads_as_word(line) or acts(line.lstrip("(- "))] == []
    assert max(len(line) for line in text.splitlines()) <= form.longest_line
    assert text.isascii()


@given(name=hostile, dialect=st.sampled_from(sorted(DIALECTS)))
def test_no_machine_name_can_leave_its_comment(name: str, dialect: str) -> None:
    """A machine's name is text like any other."""
    form = DIALECTS[dialect]

    text = render(correction(machine=name), form, replace(machine(), name=name))

    assert executed_lines(text, form) == executed_lines(render(correction(), form, machine()), form)


@given(
    steps=st.integers(-999_999, 999_999),
    change=st.integers(-200, 200),
    unit=st.sampled_from(["mm", "inch"]),
    tool_radius=st.sampled_from(["radius", "diameter"]),
    name=st.sampled_from(["tool 5 radius", "tool 5 length", "work 54 X"]),
)
def test_the_written_number_is_the_decided_one(steps: int, change: int, unit: Any, tool_radius: Any, name: str) -> None:
    """Read back by an independent rule, every written value is exactly the one decided, in whole least increments."""
    shop = machine(unit, tool_radius)
    made = correction(name)
    step = shop.increment(made.register)
    made = correction(name, now=str(steps * step), change=str(change * step))

    (line,) = executed(made, shop)

    written = Decimal(line.split()[-1][1:])
    factor = Decimal("25.4") if unit == "inch" else Decimal(1)
    halved = 2 if tool_radius == "diameter" and name == "tool 5 radius" else 1
    assert written * factor / halved == made.new
    assert written == round(written, 4 if unit == "inch" else 3)
