"""The map of the project, checked: who may import whom, and that nothing can reach a machine."""

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
STANDARD = sys.stdlib_module_names

# Modules that touch files, clock, network or SQL. Everything else is given what it needs.
SHELLS = {
    "feedback.__main__",
    "feedback.cell",
    "feedback.daemon",
    "feedback.heartbeat",
    "feedback.intake",
    "feedback.status",
    "feedback.taking",
    "feedback.configuration.loading",
    "feedback.reading.layouts",
    "feedback.reading.showing",
    "feedback.replay.cache",
    "feedback.replay.columns",
    "feedback.replay.deciding",
    "feedback.replay.frames",
    "feedback.replay.gathering",
    "feedback.replay.recorded",
    "feedback.replay.replaying",
    "feedback.replay.tuner",
    "feedback.replay.workers",
    "feedback.simulate.writer",
    "feedback.snippets.dialects",
    "feedback.snippets.folder",
}
SHELL_PACKAGES = ("feedback.ledger.", "feedback.commands.", "feedback.board.", "feedback.reports.")
REACHES_OUT = {
    "socket",
    "http",
    "urllib",
    "ftplib",
    "smtplib",
    "telnetlib",
    "ssl",
    "serial",
    "requests",
    "httpx",
    "paramiko",
}
CLOCKS_AND_FILES = {"time", "os", "shutil", "tempfile", "subprocess", "threading", "sqlite3", "logging"}


def modules() -> list[str]:
    paths = [*ROOT.glob("rules/**/*.py"), *ROOT.glob("feedback/**/*.py")]
    return sorted(".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__") for path in paths)


def tree(module: str) -> ast.Module:
    path = ROOT / Path(*module.split("."))
    file = path / "__init__.py" if path.is_dir() and not path.with_suffix(".py").is_file() else path.with_suffix(".py")
    return ast.parse(file.read_text(encoding="utf-8"))


def imports(module: str) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(tree(module)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: relative imports hide the layer"
            found.add(node.module or "")
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def packages(module: str) -> set[str]:
    """Top-level packages; `urllib.parse` and `os.path` only take names apart."""
    return {name.split(".")[0] for name in imports(module) if not name.startswith(("urllib.parse", "os.path"))}


def is_shell(module: str) -> bool:
    return module in SHELLS or any(f"{module}.".startswith(package) for package in SHELL_PACKAGES)


def pure() -> Iterator[str]:
    return (module for module in modules() if not is_shell(module))


@pytest.mark.parametrize("module", [module for module in modules() if module.split(".")[0] == "rules"])
def test_rules_use_the_standard_library_and_rules_alone(module: str) -> None:
    """What decides must not depend on what happens to be installed."""
    foreign = {package for package in packages(module) if package not in STANDARD and package != "rules"}
    assert not foreign


@pytest.mark.parametrize("module", list(pure()))
def test_the_core_touches_no_file_clock_or_network(module: str) -> None:
    """Everything but the shells is given what it needs, so that it can be run again and again on the same facts."""
    assert not packages(module) & (CLOCKS_AND_FILES | REACHES_OUT | {"sqlalchemy", "click", "watchdog", "filelock"})
    calls = {
        node.func.attr
        for node in ast.walk(tree(module))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
    }
    assert not calls & {"now", "today", "utcnow", "read_text", "write_text", "read_bytes", "write_bytes", "unlink"}


def test_only_one_module_imports_statsmodels() -> None:
    """The filter can be exchanged, and is proved, in one place."""
    assert [module for module in modules() if "statsmodels" in packages(module)] == ["feedback.trend.statespace"]


def test_only_the_ledger_speaks_sql() -> None:
    """One place knows the tables and keeps to one writer; `status` reads two of them with the standard library."""
    speakers = {module for module in modules() if packages(module) & {"sqlalchemy", "psycopg", "sqlite3"}}
    assert {module for module in speakers if not module.startswith("feedback.ledger")} == {"feedback.status"}


def test_nothing_can_reach_a_machine() -> None:
    """A correction leaves as text for a person; the only socket tells the service manager that we are alive."""
    assert [module for module in modules() if packages(module) & REACHES_OUT] == ["feedback.daemon"]


def test_commands_do_not_call_each_other() -> None:
    """A shell that calls a shell hides logic in the wrong room."""
    from feedback.commands import COMMANDS

    commands = {f"feedback.commands.{name}" for name in COMMANDS}
    for module in commands:
        assert not (imports(module) & commands) - {module}


def test_rules_never_know_who_calls_them() -> None:
    """feedback may import rules, never the reverse."""
    assert not [module for module in modules() if module.startswith("rules") and "feedback" in packages(module)]


# These work inside an open transaction that a shell hands them; they ask and append, they never open or commit.
IN_A_TRANSACTION = (
    "feedback.processing",
    "feedback.desk",
    "feedback.trendview",
    "feedback.capability",
    "feedback.fitness.examiner",
    "feedback.fitness.survey",
    "feedback.fitness.charting",  # takes the rows of the checks as they were kept
)
QUESTIONS = {
    f"feedback.ledger{name}" for name in ("", ".sql", ".store", ".recent", ".queries", ".review", ".probes", ".chain")
}


@pytest.mark.parametrize("module", list(pure()))
def test_the_core_does_not_know_its_shells(module: str) -> None:
    """Pure modules import no shell; types of an open transaction aside."""
    shells = {name for name in imports(module) if name in modules() and is_shell(name)}
    if module in IN_A_TRANSACTION:
        shells -= QUESTIONS
    assert not shells - {"feedback", "feedback.cell"}
