"""Dialects, shipped and made by a shop."""

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.errors import ConfigurationError
from feedback.snippets.correction import SnippetError
from feedback.snippets.dialects import dialects_from_texts, load_dialects
from feedback.snippets.render import render
from tests.snippets.corrections import correction, machine

OWN = """\
summary = "our turning control"
suffix = ".prg"
characters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 =.,-+_"
longest_line = 60
before = ["G90", "$unit_code"]
end = ["M30"]

[comment]
open = ";"
close = ""

[units]
mm = "G21"
inch = "G20"

[decimals]
mm = 3
inch = 4
deg = 3

[write]
tool_x = ["G10 P$tool X$new"]

[notes]
all = ["FOR $machine, BECAUSE OF $cause"]
"""
PATH = Path("dialects/ours.toml")


def faults_of(text: str) -> list[str]:
    with pytest.raises(ConfigurationError) as refused:
        dialects_from_texts({PATH: text})
    return [str(fault) for fault in refused.value.faults]


def with_change(found: str, wanted: str) -> str:
    assert found in OWN
    return OWN.replace(found, wanted, 1)


def test_three_dialects_are_shipped() -> None:
    """A fresh cell can use them without any file of its own."""
    assert sorted(load_dialects(None)) == ["g10-memory", "rs274", "sheet"]


def test_a_shop_can_add_its_own(tmp_path: Path) -> None:
    """A file in the cell's dialects folder is a dialect called after it, comments to the line's end and all."""
    (tmp_path / "ours.toml").write_text(OWN, encoding="utf-8")

    dialects = load_dialects(tmp_path)

    assert sorted(dialects) == ["g10-memory", "ours", "rs274", "sheet"]
    lines = render(correction("tool 3 x"), dialects["ours"], machine()).splitlines()
    assert lines[-4:] == ["G90", "G21", "G10 P3 X-0.018", "M30"]
    assert ";FOR M_1, BECAUSE OF WEAR" in lines
    assert ";VALUES ARE = DIAMETER VALUES IN MILLIMETRES" in lines


def test_a_guard_needs_to_know_where_an_offset_is_kept() -> None:
    """A dialect that compares a system's parameter but was not told its number refuses that system alone."""
    text = OWN.replace("tool_x", "work").replace("P$tool X", "L2 $system $axis")
    text += """
[systems]
54 = "P1"
55 = "P2"
[parameters]
54 = 5221
[guard]
work = ["#<held> = #$parameter"]
"""
    ours = dialects_from_texts({PATH: text})["ours"]

    assert "#<held> = #5222" in render(correction("work 54 Y"), ours, machine())
    with pytest.raises(SnippetError, match="dialect ours does not know where the control keeps work 55"):
        render(correction("work 55 Y"), ours, machine())


def test_a_control_may_always_take_diameters() -> None:
    """Where the code takes a diameter, it is written doubled even if the offset page shows radius, and says so."""
    text = OWN.replace("tool_x", "tool_radius").replace("[comment]", 'radius_word = "diameter"\n[comment]', 1)
    ours = dialects_from_texts({PATH: text})["ours"]

    lines = render(correction("tool 5 radius"), ours, machine(tool_radius="radius")).splitlines()

    assert "G10 P5 X-0.036" in lines
    assert ";THE OFFSET PAGE SHOWS RADIUS - HALF OF THESE VALUES" in lines


def test_no_folder_is_no_fault(tmp_path: Path) -> None:
    """A cell without a dialects folder has the shipped ones."""
    assert load_dialects(tmp_path / "none") == load_dialects(None)


def test_a_shipped_name_is_not_taken_over(tmp_path: Path) -> None:
    """A shop's file cannot quietly replace a shipped dialect."""
    (tmp_path / "rs274.toml").write_text(OWN, encoding="utf-8")

    with pytest.raises(ConfigurationError, match="found a second dialect called 'rs274'; wanted a name other than"):
        load_dialects(tmp_path)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (
            with_change("X$new", "X$new ($cause)"),
            "dialects/ours.toml:22: write.tool_x: $cause holds text and may stand in notes only",
        ),
        (with_change("X$new", "X$neu"), "dialects/ours.toml:22: write.tool_x: unknown field $neu; wanted "),
        (with_change("X$new", "U$change"), "dialects/ours.toml:22: write.tool_x: unknown field $change; wanted "),
        (with_change("X$new", "X$"), "dialects/ours.toml:22: write.tool_x: found a '$' without a field name"),
        (with_change("P$tool", "$system"), "dialects/ours.toml:22: write.tool_x: unknown field $system; wanted "),
        (with_change("X$new", "X1"), "dialects/ours.toml:22: write.tool_x: no line uses $new; wanted the absolute"),
        (with_change("G10 P$tool", "G0"), "dialects/ours.toml:22: write.tool_x: G0 is not one of G10, G11"),
        (with_change('"M30"', '"G28", "M30"'), "dialects/ours.toml:6: end: G28 is not one of G10, G11"),
        (with_change('"G90", ', ""), "dialects/ours.toml:5: before: no line states G90; wanted absolute mode"),
        (with_change('"G20"', '"G0"'), "dialects/ours.toml:5: before: G0 is not one of G10, G11"),
        (with_change('"G90"', '"G91"'), "dialects/ours.toml:5: before: G91 is not one of"),
        (with_change(', "$unit_code"', ""), "dialects/ours.toml:5: before: no line uses $unit_code"),
        (
            with_change("+_", "+"),
            "dialects/ours.toml:3: characters: '_' missing; our own comments are written with them",
        ),
        (with_change("+_", "+_)"), "dialects/ours.toml:3: characters: found ')', which could end a comment"),
        (with_change('open = ";"', 'open = "REM "'), "dialects/ours.toml:9: comment.open: found 'REM '; wanted a mark"),
        (with_change('close = ""', 'close = "."'), "dialects/ours.toml:10: comment.close: found a character that"),
        (with_change("X$new", "X$new" + " " * 50), "dialects/ours.toml:22: write.tool_x: 64 characters once filled in"),
        (
            OWN.replace('before = ["G90", "$unit_code"]', 'after = ["G90", "$unit_code"]'),
            "before: no line states G90",
        ),
        (with_change("tool_x", "tool_q"), "dialects/ours.toml:22: write.tool_q: "),
        (
            with_change("longest_line", "longest"),
            "dialects/ours.toml:4: longest: not a key of a dialect; wanted one of",
        ),
        (with_change("longest_line = 60\n", ""), "dialects/ours.toml:1: longest_line: missing; wanted a value"),
        (with_change("mm = 3", "mm = 30"), "dialects/ours.toml:17: decimals.mm: found 30; input should be less than"),
        (
            with_change('".prg"', '"../x"'),
            "dialects/ours.toml:2: suffix: found '../x'; wanted the ending of a file name",
        ),
        (with_change("P$tool X", "P$tool \\n X"), "dialects/ours.toml:22: write.tool_x: found "),
        (with_change("[notes]", "[notes"), "dialects/ours.toml:24: not valid TOML: "),
        (with_change("FOR $machine", "FOR $person"), "dialects/ours.toml:25: notes.all: unknown field $person"),
        (
            OWN + '[systems]\n54 = "P1 G0"\n',
            "dialects/ours.toml:27: systems.54: found 'P1 G0'; wanted the words that name a system",
        ),
        (OWN + '[guard]\ntool_x = ["o1 if [1]"]\n', "dialects/ours.toml:27: guard.tool_x: block 1 has no endif"),
    ],
)
def test_a_fault_is_told_where_and_what(text: str, fault: str) -> None:
    """File, line, key, what was found and what was wanted."""
    assert any(fault in found for found in faults_of(text)), faults_of(text)


def test_all_faults_are_told_at_once() -> None:
    """A person corrects the files in one go."""
    bad = with_change("X$new", "X$neu").replace('"M30"', '"G28"').replace("FOR $machine", "FOR $person")

    with pytest.raises(ConfigurationError) as refused:
        dialects_from_texts({PATH: bad, Path("dialects/other.toml"): "suffix = 3"})

    assert {fault.path.name for fault in refused.value.faults} == {"ours.toml", "other.toml"}
    assert len([fault for fault in refused.value.faults if fault.path == PATH]) >= 3


spoilt = st.builds(lambda at, junk: OWN[:at] + junk + OWN[at:], st.integers(0, len(OWN)), st.text(max_size=9))


@given(text=st.text(max_size=200) | spoilt)
def test_no_file_is_a_traceback(text: str) -> None:
    """Whatever stands in the file, the answer is a dialect or a list of faults."""
    with suppress(ConfigurationError):
        assert dialects_from_texts({PATH: text}).keys() == {"ours"}
