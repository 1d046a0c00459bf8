"""A replay of a history that a server keeps."""

import shutil
from pathlib import Path
from typing import Any

import pytest

from tests.commands.saying import SAMPLES, trueup
from tests.postgres import new_database


@pytest.fixture
def replay_database(postgres_address: str) -> str:
    """A database of its own on the private server, as cell.toml names it."""
    return new_database(postgres_address, "replay")


def test_a_replay_is_the_same_from_either_store(tmp_path: Path, replay_database: str) -> None:
    """Which database keeps the history changes no number of what is replayed from it, or searched on it."""
    documents, searched = list[Any](), list[Any]()
    for store in ("sqlite", replay_database):
        folder = tmp_path / f"cell{len(documents)}"
        shutil.copytree(SAMPLES / "hand-change", folder)
        text = (folder / "cell.toml").read_text()
        (folder / "cell.toml").write_text(text.replace('store = "sqlite"', f'store = "{store}"'))
        trueup("process", cell=folder)
        documents.append(trueup("replay", "--json", cell=folder).document)
        searched.append(trueup("tune", "--json", cell=folder).document)
    assert documents[0] == documents[1]
    assert searched[0] == searched[1]
    assert {scope["words"][:9] for scope in searched[0]["scopes"]} == {"too short"}
    assert documents[0]["recorded_decisions"]["same"] == documents[0]["recorded_decisions"]["count"] > 0
