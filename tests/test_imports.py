"""What a quick answer may load: somebody is standing at the machine."""

import subprocess
import sys
from pathlib import Path

import pytest

import feedback
from tests.commands.saying import SAMPLES

HEAVY = {
    "pandas", "statsmodels", "scipy", "numpy", "sqlalchemy", "rich", "starlette", "watchdog", "pydantic", "psycopg",
}  # fmt: skip


def loaded(*words: str) -> set[str]:
    """The top packages that a fresh interpreter loads for `python WORDS`."""
    ended = subprocess.run(
        [sys.executable, "-X", "importtime", *words], capture_output=True, text=True, check=False, timeout=60
    )
    lines = [line for line in ended.stderr.splitlines() if line.startswith("import time:")]
    names = {line.rsplit("|", 1)[1].strip().split(".")[0] for line in lines}
    assert {"feedback"} <= names, ended.stderr[-500:]
    return names


@pytest.fixture(scope="module")
def cell(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cell whose logs have been read."""
    import shutil

    folder = Path(shutil.copytree(SAMPLES / "steady-wear", tmp_path_factory.mktemp("imports") / "cell"))
    with feedback.open_cell(folder) as opened:
        opened.process()
    return folder


@pytest.mark.parametrize("words", [("--help",), ("--version",), ("status",), ("status", "--json")], ids=" ".join)
def test_a_quick_command_loads_nothing_heavy(words: tuple[str, ...], cell: Path) -> None:
    """Help and status answer before the libraries of the trend would even be loaded."""
    assert not loaded("-m", "feedback", "--cell", str(cell), *words) & HEAVY


def test_the_package_itself_is_light() -> None:
    """`import feedback` in somebody else's program costs next to nothing until a cell is opened."""
    assert not loaded("-c", "import feedback") & (HEAVY | {"click", "sqlite3"})


def test_opening_a_cell_is_one_attribute_away() -> None:
    """The Python face needs no second import, and a slip in a name is answered as Python answers it."""
    assert callable(feedback.open_cell)
    with pytest.raises(AttributeError, match="open_sell"):
        feedback.open_sell  # noqa: B018
