"""`status` reads two tables and says the same as the cell itself, whatever state the folder is in."""

import json
import os
import shutil
from pathlib import Path

import pytest

import feedback
from feedback import status
from feedback.errors import ConfigurationError, StoreError, UsageError
from tests.stories.parts import cell_texts
from tests.stories.story import machine

SAMPLES = Path(__file__).parents[1] / "sample_logs"


def read(situation: str, folder: Path) -> tuple[Path, dict[str, object]]:
    """A sample cell whose logs have been read, and the answer it gave."""
    cell = Path(shutil.copytree(SAMPLES / situation, folder / situation))
    with feedback.open_cell(cell) as opened:
        return cell, opened.process()


@pytest.mark.parametrize("situation", ["steady-wear", "broken-text", "inch-diameter"])
def test_status_says_what_the_cell_says(situation: str, tmp_path: Path) -> None:
    """The quick way and the whole way to the answer cannot differ: same document, but for troubles of the moment."""
    cell, answered = read(situation, tmp_path)
    found = status.document(cell)

    assert found == {key: value for key, value in answered.items() if key != "troubles"}
    json.dumps(found)


def test_unreadable_lines_are_counted_and_the_newest_is_shown(tmp_path: Path) -> None:
    """File, line, column and reason of the newest line that could not be understood."""
    cell, _ = read("broken-text", tmp_path)
    (shown,) = status.document(cell)["machines"]

    assert shown["unreadable"]["lines"] > 10
    path, line, column, _ = shown["unreadable"]["newest"].split(":", 3)
    text = (cell / "logs" / path).read_bytes().splitlines()[int(line) - 1]
    assert 1 <= int(column) <= len(text) + 1


def test_machines_stand_in_the_order_of_the_cell_and_only_those_of_today(tmp_path: Path) -> None:
    """A machine that has been sold is not shown though its history stays; one that is new has nothing yet."""
    for name, text in cell_texts([machine("M2"), machine("M1")]).items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    with feedback.open_cell(tmp_path) as cell:
        cell.feed("M1", machine("M1").cut())
    assert [shown["machine"] for shown in status.document(tmp_path)["machines"]] == ["M2", "M1"]

    (tmp_path / "cell.toml").write_text(cell_texts([machine("M2"), machine("M3")])["cell.toml"], encoding="utf-8")
    shown = status.document(tmp_path)["machines"]
    assert [(entry["machine"], entry["answer"], entry["decisions"]) for entry in shown] == [
        ("M2", "wait", []),
        ("M3", "wait", []),
    ]


def test_a_snippet_that_was_taken_away_is_not_named(tmp_path: Path) -> None:
    """The path shown is one that can be opened."""
    cell, _ = read("steady-wear", tmp_path)
    decision = status.document(cell)["machines"][0]["decisions"][0]
    (cell / decision["proposal"]["snippet"]).unlink()

    assert status.document(cell)["machines"][0]["decisions"][0]["proposal"]["snippet"] is None


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    """An editor that puts one in front of cell.toml does not silence the status."""
    cell, answered = read("steady-wear", tmp_path)
    path = cell / "cell.toml"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())

    assert status.document(cell) == answered


def test_looking_changes_nothing(tmp_path: Path) -> None:
    """Any number of people may look: not a byte of the store is different afterwards."""
    cell, _ = read("steady-wear", tmp_path)
    before = (cell / "state" / "trueup.sqlite").read_bytes()
    status.document(cell)

    assert (cell / "state" / "trueup.sqlite").read_bytes() == before


def test_a_folder_with_odd_signs_in_its_name_can_be_looked_at(tmp_path: Path) -> None:
    """Question marks, number signs, percent signs and blanks are signs like any other in a folder's name."""
    cell, answered = read("steady-wear", tmp_path)
    odd = cell.rename(tmp_path / "cell #3? 50 % ä")

    assert status.document(odd) == answered
    with feedback.open_cell(odd) as opened:
        assert opened.process() == answered


def test_what_keeps_it_from_an_answer_is_said(tmp_path: Path) -> None:
    """No cell, nothing read, a damaged store: each is told apart."""
    with pytest.raises(ConfigurationError, match=r"cell\.toml:1: there is no such file"):
        status.document(tmp_path)
    cell = Path(shutil.copytree(SAMPLES / "steady-wear", tmp_path / "cell"))
    with pytest.raises(UsageError, match="nothing has been read yet"):
        status.document(cell)
    (cell / "state").mkdir()
    (cell / "state" / "trueup.sqlite").write_bytes(os.urandom(4096))
    with pytest.raises(StoreError, match=r"trueup\.sqlite: the store cannot be read"):
        status.document(cell)
