"""For all tests: golden texts, a private PostgreSQL, a browser, and how examples are drawn."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests.browser import browser
from tests.postgres import postgres_address

__all__ = ["browser", "postgres_address"]

GOLDEN = Path(__file__).parent / "golden"
SUFFIXES = (".nc", ".ngc", ".txt")

# The same examples in every run, however slow the machine: a run that fails can be run again. To look for others:
# tests/run FAST --hypothesis-profile=searching
_SLOWLY = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("searching", **_SLOWLY)
settings.register_profile("steady", derandomize=True, print_blob=True, **_SLOWLY)
settings.load_profile("steady")

used_golden = pytest.StashKey[set[str]]()
_UNUSED = pytest.StashKey[list[str]]()

Golden = Callable[[str, str], None]


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--update-golden", action="store_true", help="write the golden files anew instead of comparing")


def pytest_configure(config: pytest.Config) -> None:
    config.stash[used_golden] = set()


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Golden:
    """Compares a text with the golden file of that name, or writes the file with --update-golden."""

    def compare(name: str, text: str) -> None:
        path = GOLDEN / name
        request.config.stash[used_golden].add(name)
        if request.config.getoption("--update-golden"):
            path.write_text(text, encoding="ascii", newline="\n")
        if not path.exists():
            pytest.fail(f"no golden file {name}; run pytest --update-golden and review the new file", pytrace=False)
        assert text == path.read_bytes().decode("ascii"), f"{name} differs; if meant, run pytest --update-golden"

    return compare


def unused_golden(used: set[str]) -> list[str]:
    """Golden files no test asked for."""
    return sorted(path.name for path in GOLDEN.iterdir() if path.suffix in SUFFIXES and path.name not in used)


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """A whole, passing run that leaves golden files unused fails: they prove nothing any more."""
    if exitstatus != 0 or not _ran_everything(session):
        return
    unused = unused_golden(session.config.stash[used_golden])
    if unused:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
        session.config.stash[_UNUSED] = unused


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    for name in config.stash.get(_UNUSED, []):
        terminalreporter.write_line(f"FAILED tests/golden/{name}: used by no test; delete it", red=True)


def _ran_everything(session: pytest.Session) -> bool:
    """Whether every test that compares golden files was among those run: no choice by name, path or mark."""
    config = session.config
    chosen = config.getoption("keyword") or config.getoption("markexpr") or config.getoption("collectonly")
    return not chosen and config.args_source == pytest.Config.ArgsSource.TESTPATHS
