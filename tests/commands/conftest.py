"""Cells for the commands: one whose logs nobody has read, one that has been read and has a proposal open."""

import shutil
from pathlib import Path

import pytest

import feedback
from tests.commands.saying import SAMPLES
from tests.stories.conftest import tell  # noqa: F401  # a fixture


@pytest.fixture(scope="session")
def _read_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("read") / "cell"
    shutil.copytree(SAMPLES / "steady-wear", folder)
    with feedback.open_cell(folder) as cell:
        cell.process()
    return folder


@pytest.fixture
def unread_cell(tmp_path: Path) -> Path:
    """Steady wear, its logs not read yet."""
    return Path(shutil.copytree(SAMPLES / "steady-wear", tmp_path / "unread"))


@pytest.fixture
def read_cell(_read_once: Path, tmp_path: Path) -> Path:
    """Steady wear with its logs read: a proposal for tool 5 radius is open."""
    return Path(shutil.copytree(_read_once, tmp_path / "cell"))


@pytest.fixture
def open_id(read_cell: Path) -> str:
    """The id of the open proposal."""
    (snippet,) = (read_cell / "snippets" / "M1").glob("p-*.nc")
    return snippet.stem
