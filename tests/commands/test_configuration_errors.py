"""What a new user meets before the first part is read: missing and faulty folders, commands and files."""

from pathlib import Path

import pytest

from feedback.commands import COMMANDS
from tests.commands.saying import SAMPLES, says, trueup
from tests.stories.parts import cell_texts
from tests.stories.story import machine

NEEDS_A_CELL = (
    ("check",),
    ("process",),
    ("watch",),
    ("status",),
    ("show", "p-zzzzzz"),
    ("accept", "p-zzzzzz", "--by", "op1"),
    ("reject", "p-zzzzzz", "--by", "op1", "--why", "x"),
    ("release", "tool 5 radius", "--by", "pe", "--why", "x"),
    ("snippet", "p-zzzzzz"),
    ("history",),
    ("verify",),
)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command: str) -> None:
    """`--help` says what the command does, in a screen that a person at the machine can read."""
    said = trueup(command, "--help")

    assert (said.code, said.err) == (0, "")
    assert said.out.startswith("Usage: trueup")
    assert len(said.out.splitlines()) > 5


@pytest.mark.parametrize("words", NEEDS_A_CELL, ids=lambda words: words[0])
def test_a_folder_without_a_cell(words: tuple[str, ...], tmp_path: Path) -> None:
    """In the wrong folder every command names the file it looked for and the command that makes one."""
    says(trueup(*words, cell=tmp_path), 2, str(tmp_path / "cell.toml"), "trueup new")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("words", NEEDS_A_CELL, ids=lambda words: words[0])
def test_all_faults_of_a_cell_are_listed_at_once(words: tuple[str, ...], unread_cell: Path) -> None:
    """One run names every fault with file and line, so that nobody mends them one by one."""
    path = unread_cell / "cell.toml"
    text = path.read_text().replace('unit = "mm"', 'unit = "cm"').replace("lag = 1", 'lag = "soon"')
    path.write_text(text)
    (unread_cell / "limits.toml").write_text("[default]\nband = 30\n")

    said = trueup(*words, cell=unread_cell)

    if words == ("status",):  # reads no more than the names, and no log has been read
        says(said, 2, "nothing has been read yet")
        return
    lines = text.splitlines()
    unit, lag = (next(i for i, line in enumerate(lines, 1) if line.startswith(key)) for key in ("unit", "lag"))
    says(said, 2, f"{path}:{unit}:", "'cm'", f"{path}:{lag}:", "'soon'", f"{unread_cell / 'limits.toml'}:2:")


def test_text_that_is_no_toml_is_named_with_its_line(unread_cell: Path) -> None:
    """A forgotten quote in cell.toml is a place in a file, for `status` too."""
    path = unread_cell / "cell.toml"
    path.write_text('[cell]\nname = "Cell 3\n')

    for command in ("status", "check", "process"):
        says(trueup(command, cell=unread_cell), 2, f"{path}:2:")


def test_a_mistyped_command_is_met_with_the_one_meant() -> None:
    """Near misses get a suggestion, others the list."""
    says(trueup("statsu"), 2, "'statsu'", "Did you mean 'status'?")
    says(trueup("qqqq"), 2, "'qqqq'", ", ".join(COMMANDS))


def test_status_before_anything_was_read(unread_cell: Path) -> None:
    """The first look says what to run."""
    says(trueup("status", cell=unread_cell), 2, "state/trueup.sqlite", "nothing has been read yet", "trueup process")
    assert not (unread_cell / "state").exists()


def test_new_never_writes_over_a_file(unread_cell: Path) -> None:
    """A folder with a cell in it is left as it is, to the byte."""
    before = (unread_cell / "cell.toml").read_bytes()

    says(trueup("new", "--name", "Cell 4", cell=unread_cell), 2, "cell.toml", "nothing was written")
    assert (unread_cell / "cell.toml").read_bytes() == before


def test_a_new_cell_passes_its_own_check(tmp_path: Path) -> None:
    """What `new` writes is a cell that loads, and the next step is named."""
    said = trueup("new", "--name", "Cell 4", cell=tmp_path / "cell4")

    assert said.code == 0
    assert "trueup check" in said.out
    assert trueup("check", cell=tmp_path / "cell4").code in (0, 3)


def test_the_demo_leaves_a_folder_in_use_alone(tmp_path: Path) -> None:
    """A folder with something in it is refused and not touched."""
    (tmp_path / "mine.txt").write_text("mine")

    says(trueup("demo", "--into", tmp_path), 2, str(tmp_path), "not empty", "nothing was written")
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_an_unknown_situation_is_answered_with_the_known_ones(tmp_path: Path) -> None:
    """Whoever mistypes a sample reads the list of samples."""
    said = trueup("demo", "--into", tmp_path / "demo", "--situation", "frost")
    says(said, 2, "'frost'", "steady-wear", "noise-only")
    assert not (tmp_path / "demo").exists()


def test_the_demo_shows_the_whole_way(tmp_path: Path) -> None:
    """From log to answer, reason, snippet and picture in one command, in a folder of its own."""
    said = trueup("demo", "--into", tmp_path / "demo")

    assert said.code == 0
    assert all(words in said.out for words in ("M1: correct", "what every rule said", "G10 L13 P5", ".svg", "accept"))
    assert [path.suffix for path in (tmp_path / "demo" / "reports").iterdir()] == [".svg"]


def test_reading_a_file_that_is_not_there(unread_cell: Path) -> None:
    """`read` names the file it cannot find."""
    says(trueup("read", unread_cell / "no.txt", cell=unread_cell), 2, "no.txt", "does not exist")


def test_reading_in_a_cell_of_two_machines_needs_a_machine(tmp_path: Path) -> None:
    """Units and layout differ by machine; `read` asks instead of guessing."""
    for name, text in cell_texts([machine("M1"), machine("M2")]).items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    log = tmp_path / "some.txt"
    log.write_text(machine("M1").cut())

    says(trueup("read", log, cell=tmp_path), 2, "M1", "M2", "--machine")
    assert trueup("read", log, "--machine", "M1", cell=tmp_path).code == 0
    says(trueup("read", log, "--machine", "M9", cell=tmp_path), 2, "M9", "M1", "M2")


def test_reading_a_broken_log_asks_for_a_look() -> None:
    """Lines that cannot be understood are counted, each with its reason, and the command ends with 3."""
    cell = SAMPLES / "broken-text"
    said = trueup("read", *sorted((cell / "logs" / "M1").iterdir()), "--json", cell=cell)

    assert said.code == 3
    unreadable = [line for line in said.document["lines"] if line["kind"] == "unreadable"]
    assert len(unreadable) == said.document["unreadable"] > 10
    assert not (cell / "state").exists()
