"""The whole job on a PostgreSQL store."""

import json
import re
import shutil
from pathlib import Path

import pytest
import sqlalchemy

from tests.commands.saying import trueup

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "steady-wear"


@pytest.fixture
def empty_database(postgres_address: str) -> str:
    """A database of its own on the private server, as cell.toml names it."""
    engine = sqlalchemy.create_engine(postgres_address, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(sqlalchemy.text("DROP DATABASE IF EXISTS story"))
        connection.execute(sqlalchemy.text("CREATE DATABASE story"))
    engine.dispose()
    host = re.search(r"host=([^&]+)", postgres_address)
    assert host is not None
    return f"postgresql://postgres@localhost/story?host={host[1]}"


def test_the_job_is_the_same_on_postgresql(tmp_path: Path, empty_database: str) -> None:
    """From log text to an accepted proposal and an intact history, the store being a server."""
    cell = tmp_path / "cell"
    shutil.copytree(SAMPLE, cell)
    text = (cell / "cell.toml").read_text()
    (cell / "cell.toml").write_text(text.replace('store = "sqlite"', f'store = "{empty_database}"'))

    processed = trueup("process", "--json", cell=cell)
    assert processed.code == 3, processed.err
    (machine,) = json.loads(processed.out)["machines"]
    id = machine["decisions"][0]["proposal"]["id"]
    assert trueup("accept", id, "--by", "op1", cell=cell).code == 0
    shown = trueup("status", "--json", cell=cell)
    assert json.loads(shown.out)["machines"][0]["decisions"][0]["proposal"]["status"] == "accepted"
    assert trueup("verify", "--deep", cell=cell).code == 0
    assert not (cell / "state" / "trueup.sqlite").exists()
