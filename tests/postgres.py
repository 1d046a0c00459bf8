"""A private PostgreSQL for the tests: its own folder, a socket instead of a port, gone when the tests are."""

import os
import pwd
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy


def programs() -> Path:
    """The folder with initdb and pg_ctl, the newest installed; fails with words when there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[-3]))
    on_path = shutil.which("initdb")
    candidates = [*found, *([Path(on_path)] if on_path else [])]
    if not candidates:
        pytest.fail("found no PostgreSQL (initdb); it judges the store; run tests/setup_judges", pytrace=False)
    return candidates[-1].resolve().parent


def _as_user() -> list[str]:
    """PostgreSQL refuses to run as root, so root hands over to the user its package made."""
    if os.geteuid() != 0:
        return []
    if not any(entry.pw_name == "postgres" for entry in pwd.getpwall()):
        pytest.fail("running as root and found no user 'postgres'; run tests/setup_judges", pytrace=False)
    return ["runuser", "-u", "postgres", "--"]


def _run(*command: str | Path) -> None:
    done = subprocess.run([*_as_user(), *map(str, command)], cwd="/", capture_output=True, text=True, timeout=60)
    if done.returncode != 0:
        pytest.fail(f"PostgreSQL: {command[0]} failed: {done.stderr or done.stdout}", pytrace=False)


def running(folder: Path) -> Iterator[str]:
    """Starts a server in `folder`, yields its SQLAlchemy address, and stops it."""
    bin_folder = programs()
    cluster = folder / "cluster"
    _run(bin_folder / "initdb", "-D", cluster, "-A", "trust", "-U", "postgres", "--no-sync", "-E", "UTF8", "--locale=C")
    options = f"-c listen_addresses='' -c unix_socket_directories={folder} -c fsync=off -c max_connections=40"
    _run(bin_folder / "pg_ctl", "-D", cluster, "-w", "-l", folder / "log", "-o", options, "start")
    try:
        yield f"postgresql+psycopg://postgres@/postgres?host={folder}"
    finally:
        _run(bin_folder / "pg_ctl", "-D", cluster, "-m", "immediate", "stop")


@pytest.fixture(scope="session")
def postgres_address() -> Iterator[str]:
    """SQLAlchemy address of an empty PostgreSQL that lives as long as the test session."""
    # not pytest's own temporary folder: under root nobody else may enter it, and its path can be too long for a socket
    folder = Path(tempfile.mkdtemp(prefix="trueup-pg."))
    try:
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres")
        yield from running(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def new_database(server: str, name: str) -> str:
    """An empty database of its own on the private server, as cell.toml names it."""
    engine = sqlalchemy.create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(sqlalchemy.text(f"DROP DATABASE IF EXISTS {name}"))
        connection.execute(sqlalchemy.text(f"CREATE DATABASE {name}"))
    engine.dispose()
    host = re.search(r"host=([^&]+)", server)
    assert host is not None
    return f"postgresql://postgres@localhost/{name}?host={host[1]}"
