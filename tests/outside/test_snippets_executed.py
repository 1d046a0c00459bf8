"""Every form of every dialect, executed by an interpreter that is not ours.

Not executed: `g10-memory` sets wear registers with G10 L11 and L13 and extended systems with L20, which mean something
else in RS274/NGC. For those a second grammar (tree-sitter-gcode) at least confirms the syntax; what they set rests on
common practice.
"""

from decimal import Decimal

import pytest
import tree_sitter_gcode
from hypothesis import given, settings
from hypothesis import strategies as st
from tree_sitter import Language, Parser

from feedback.registers import Register
from feedback.snippets.correction import Correction
from feedback.snippets.dialects import load_dialects
from feedback.snippets.render import render
from feedback.units import LengthUnit
from tests.outside import rs274
from tests.snippets.corrections import correction, machine

DIALECTS = load_dialects(None)

WORK = ("work 54 X", "work 54 Y", "work 57 Z", "work 59 X", "work 55 B", "work 54 A")
OWN = ("work 59.1 X", "work 59.3 C", "tool 5 length", "tool 5 radius")
FORMS = [("g10-memory", name) for name in WORK] + [("rs274", name) for name in WORK + OWN]

CLOSE = 1e-6  # mm or degrees; the interpreter computes in inch with double precision


def small_correction(name: str, unit: LengthUnit) -> Correction:
    """From a value no other register holds, by three least increments."""
    rotary = name[-1] in "ABC"
    if unit == "inch" and not rotary:
        return correction(name, now="-1.27508", change="-0.00762")  # -0.0502 in and -0.0003 in
    return correction(name, now="-1.275", change="-0.003")


def state_for(made: Correction) -> dict[Register, Decimal]:
    return {**rs274.ordinary_state(), made.register: made.now}


def moved(run: rs274.Run, state: rs274.State) -> dict[Register, float]:
    """The registers that no longer hold what they held, with what they hold now."""
    assert run.after is not None, run.complaint
    assert run.after.keys() == state.keys()
    return {found: held for found, held in run.after.items() if abs(held - float(state[found])) > CLOSE}


@pytest.mark.parametrize("modal", ["G21 G90", "G20 G91"])
@pytest.mark.parametrize("unit", ["mm", "inch"])
@pytest.mark.parametrize(("dialect", "name"), FORMS)
def test_sets_the_named_register_and_nothing_else(dialect: str, name: str, unit: LengthUnit, modal: str) -> None:
    """Whatever state the control is in, the named register holds the stated value and all others stay."""
    made = small_correction(name, unit)
    state = state_for(made)

    run = rs274.run_snippet(render(made, DIALECTS[dialect], machine(unit)), state, modal=modal)

    assert run.returncode == 0, run.complaint
    assert moved(run, state) == {made.register: pytest.approx(float(made.new), abs=CLOSE)}


@pytest.mark.parametrize("unit", ["mm", "inch"])
@pytest.mark.parametrize(("dialect", "name"), FORMS)
def test_moves_no_axis_and_starts_nothing(dialect: str, name: str, unit: LengthUnit) -> None:
    """A snippet gives the machine no order but to set offsets and units."""
    made = small_correction(name, unit)

    run = rs274.run_snippet(render(made, DIALECTS[dialect], machine(unit)), state_for(made))

    harmless = ("SET_G5X_OFFSET(", "SET_XY_ROTATION(", "SET_TOOL_TABLE_ENTRY(", "USE_LENGTH_UNITS(")
    assert [order for order in run.done_by_snippet if not order.startswith(harmless)] == []


@pytest.mark.parametrize("tool_radius", ["radius", "diameter"])
@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_radius_lands_as_radius_whatever_the_page_shows(unit: LengthUnit, tool_radius: str) -> None:
    """R of G10 L1 takes a radius: a control whose page shows diameters gets the same radius, never twice of it."""
    made = small_correction("tool 5 radius", unit)
    state = state_for(made)
    shop = machine(unit, tool_radius="diameter" if tool_radius == "diameter" else "radius")

    run = rs274.run_snippet(render(made, DIALECTS["rs274"], shop), state)

    assert moved(run, state) == {made.register: pytest.approx(float(made.new), abs=CLOSE)}


@pytest.mark.parametrize("modal", ["G20 G91", "G21 G90", "G20 G90", "G21 G91"])
def test_modal_state_is_restored(modal: str) -> None:
    """The rs274 snippet leaves unit and distance mode as it found them."""
    made = small_correction("work 54 X", "mm")

    run = rs274.run_snippet(render(made, DIALECTS["rs274"], machine()), state_for(made), modal=modal)

    inch, incremental = int("G20" in modal), int("G91" in modal)
    assert run.modal == f"MODAL inch={inch}.000000 incremental={incremental}.000000"


@pytest.mark.parametrize("name", WORK)
def test_loading_twice_equals_once_without_a_guard(name: str) -> None:
    """An absolute value loaded again does no harm."""
    made = small_correction(name, "mm")
    state = state_for(made)
    snippet = render(made, DIALECTS["g10-memory"], machine())

    once = rs274.run_snippet(snippet, state)
    twice = rs274.run_snippet(snippet + snippet, state)

    assert twice.returncode == 0
    assert twice.after == once.after


@pytest.mark.parametrize("name", WORK + OWN)
def test_loading_twice_equals_once_with_a_guard(name: str) -> None:
    """The second loading finds the register moved already and stops before anything is set."""
    made = small_correction(name, "mm")
    snippet = render(made, DIALECTS["rs274"], machine())
    state = state_for(made)
    entered = {**state, made.register: made.new}

    run = rs274.run_snippet(snippet, entered)

    assert run.returncode != 0
    assert run.done_by_snippet == []
    assert run.stored == rs274.run_snippet("", entered).stored
    assert "NOTHING SET" in run.complaint


@pytest.mark.parametrize("off", ["0.001", "-0.001", "10"])
@pytest.mark.parametrize("unit", ["mm", "inch"])
@pytest.mark.parametrize("name", WORK + OWN)
def test_guard_stops_a_stale_snippet(name: str, unit: LengthUnit, off: str) -> None:
    """A register that somebody has moved since, by as little as the smallest step, is left alone."""
    made = small_correction(name, unit)
    step = Decimal("2.54") if unit == "inch" and made.register.kind != "rotary" else Decimal(1)
    state = {**state_for(made), made.register: made.now + Decimal(off) * step}

    run = rs274.run_snippet(render(made, DIALECTS["rs274"], machine(unit)), state)

    assert run.returncode != 0
    assert run.done_by_snippet == []
    assert run.stored == rs274.run_snippet("", state).stored
    assert "STALE OR ENTERED" in run.complaint


@pytest.mark.parametrize("name", ["tool 5 length", "tool 5 radius"])
def test_guard_stops_when_another_tool_is_loaded(name: str) -> None:
    """Only the loaded tool can be compared; with another one loaded the snippet asks for the right one."""
    made = small_correction(name, "mm")
    state = state_for(made)

    run = rs274.run_snippet(render(made, DIALECTS["rs274"], machine()), state, loaded=7)

    assert run.returncode != 0
    assert run.done_by_snippet == []
    assert "LOAD THE TOOL FIRST" in run.complaint


@pytest.mark.parametrize("dialect", ["g10-memory", "rs274"])
def test_runs_as_the_file_stands(dialect: str) -> None:
    """The file as it is handed out, first mark to last, is a whole program that changes one stored offset."""
    made = small_correction("work 55 Y", "mm")
    stored = rs274.run_snippet("", state_for(made)).stored

    run = rs274.run(render(made, DIALECTS[dialect], machine()).splitlines(), stored)

    assert run.returncode == 0, run.complaint
    changed = set(run.stored.splitlines()) ^ set(stored.splitlines())
    assert changed == {"5242\t-0.050197", "5242\t-0.050315"}  # inch: -1.275 mm before, -1.278 mm after


@settings(max_examples=40)
@given(text=st.text(max_size=60), dialect=st.sampled_from(["g10-memory", "rs274"]))
def test_no_text_changes_what_the_interpreter_does(text: str, dialect: str) -> None:
    """Whatever stands in the log or plan, the control does the same."""
    made = correction(
        "work 54 X", now="-1.275", cause=text, cell=text, id=text, features=(text, text), parts=(text,), expires=text
    )
    state = state_for(made)

    run = rs274.run_snippet(render(made, DIALECTS[dialect], machine()), state)

    assert run.returncode == 0, run.complaint
    assert moved(run, state) == {made.register: pytest.approx(-1.281, abs=CLOSE)}


@pytest.mark.parametrize("unit", ["mm", "inch"])
@pytest.mark.parametrize(
    ("dialect", "name"),
    [*FORMS, *(("g10-memory", name) for name in ("tool 5 length", "tool 5 radius", "work 54.1 P3 Z"))],
)
def test_a_second_grammar_finds_no_fault(dialect: str, name: str, unit: LengthUnit) -> None:
    """Somebody else's grammar of G code reads every snippet without an error."""
    parser = Parser(Language(tree_sitter_gcode.language()))

    tree = parser.parse(render(small_correction(name, unit), DIALECTS[dialect], machine(unit)).encode("ascii"))

    assert not tree.root_node.has_error


def test_the_second_grammar_would_notice() -> None:
    """A comment that is not closed is an error there: the judge is awake."""
    parser = Parser(Language(tree_sitter_gcode.language()))

    assert parser.parse(b"G10 L2 P1 X1.0 (open\nM2\n").root_node.has_error
