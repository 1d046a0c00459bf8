"""Pages are made from templates that are compiled once."""

import sys
from pathlib import Path

import jinja2
import pytest

from feedback.board.rendering import templates


def rendered() -> str:
    """A page of the board that asks for little."""
    shown = {"cell": "Cell 3", "clock": "08:14:05", "places": (), "path": "/", "is_closed": False, "person": None}
    return templates("v").get_template("trouble.html").render(words="no such page", **shown)


def test_compiled_pages_are_kept_where_python_keeps_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second board starts without compiling: what the first one compiled is taken, and shows the same."""
    monkeypatch.setattr(sys, "pycache_prefix", str(tmp_path))
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    first = rendered()
    assert [path for path in tmp_path.rglob("*") if path.is_file()]
    monkeypatch.setattr(jinja2.Environment, "compile", None)
    assert rendered() == first
    assert "no such page" in first


def test_pages_come_where_nothing_may_be_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no folder can be made, not even by root, the page is shown all the same."""
    monkeypatch.setattr(sys, "pycache_prefix", "/proc/trueup")
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    assert "no such page" in rendered()


def test_nothing_is_kept_where_python_keeps_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who told Python to write no compiled modules is given no compiled pages either."""
    monkeypatch.setattr(sys, "pycache_prefix", str(tmp_path))
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    rendered()
    assert not list(tmp_path.iterdir())
