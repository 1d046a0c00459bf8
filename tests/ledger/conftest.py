"""A store to write into: once as a SQLite file, once on a private PostgreSQL."""

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy

from feedback.ledger.store import Store

_numbers = itertools.count(1)


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request: pytest.FixtureRequest) -> str:
    """The address of an empty store."""
    if request.param == "sqlite":
        return "sqlite"
    return new_schema(request.getfixturevalue("postgres_address"))


@pytest.fixture
def store(tmp_path: Path, address: str) -> Iterator[Store]:
    with Store.open(tmp_path, address) as opened:
        yield opened


def new_schema(server: str) -> str:
    """An empty schema of its own on `server`: as good as a database, and made in a moment."""
    name = f"cell{next(_numbers)}"
    engine = sqlalchemy.create_engine(server)
    with engine.begin() as connection:
        connection.exec_driver_sql(f"CREATE SCHEMA {name}")
    engine.dispose()
    address = sqlalchemy.make_url(server).set(drivername="postgresql")
    return address.update_query_dict({"options": f"-csearch_path={name}"}).render_as_string(hide_password=False)
