"""The whole job on a PostgreSQL store."""

import json
import shutil
from pathlib import Path

import pytest

from tests.commands.saying import trueup
from tests.postgres import new_database

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "steady-wear"


@pytest.fixture
def empty_database(postgres_address: str) -> str:
    """A database of its own on the private server, as cell.toml names it."""
    return new_database(postgres_address, "story")


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


def test_a_calibration_that_cannot_be_read_fails_on_postgresql_too(tmp_path: Path, empty_database: str) -> None:
    """Words of the log are taken in any case, by every store: "calibration" with a decimal comma fails the probe."""
    cell = tmp_path / "cell"
    shutil.copytree(SAMPLE.parent / "drifting-probe", cell)
    text = (cell / "cell.toml").read_text()
    (cell / "cell.toml").write_text(text.replace('store = "sqlite"', f'store = "{empty_database}"'))
    log = next((cell / "logs" / "M1").iterdir())
    log.write_text("calibration probe 1 RXP 2,9912\n")

    trueup("process", cell=cell)
    said = trueup("probe", cell=cell)
    assert said.code == 3
    assert "NOT fit to measure" in said.out
