"""The README is checked like code."""

import re
from pathlib import Path

import pytest

from feedback.commands import COMMANDS
from feedback.reading.layouts import load_layouts
from feedback.snippets.dialects import load_dialects
from rules.catalogue import RULES
from tests.write_docs import README, filled

ROOT = README.parent
TEXT = README.read_text(encoding="utf-8")


def test_generated_tables_are_fresh() -> None:
    """The command and rule tables say what the code says (else: python -m tests.write_docs)."""
    assert filled(TEXT) == TEXT


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_documented(name: str) -> None:
    """A command nobody can read about is not there for its user."""
    assert f"| `{name}" in TEXT


@pytest.mark.parametrize("name", [rule.name for rule in RULES])
def test_every_rule_is_documented(name: str) -> None:
    """Whoever is held by a rule can look up why it exists."""
    assert f"| `{name}` |" in TEXT


LIMITS = ("band", "aim", "step", "travel", "settle", "evidence", "confidence", "implausible", "expires", "check")


@pytest.mark.parametrize("key", LIMITS)
def test_every_limit_is_documented_with_its_default(key: str) -> None:
    """A process engineer finds each limit, its default and what it bounds."""
    assert re.search(rf"\| `{key}` \| [^|]+ \| [^|]+ \|", TEXT)


def test_shipped_layouts_and_dialects_are_documented() -> None:
    """What can be put into cell.toml can be read about."""
    for name in (*load_layouts(None), *load_dialects(None)):
        assert f"`{name}`" in TEXT


@pytest.mark.parametrize("code", [0, 1, 2, 3])
def test_every_exit_code_is_documented(code: int) -> None:
    """Scripts around trueup can rely on the exit codes."""
    assert f"| {code} | " in TEXT


def test_links_lead_somewhere() -> None:
    """Every file the README points to is there."""
    for target in re.findall(r"\]\(([^)#]+)\)", TEXT):
        assert (ROOT / Path(target)).exists(), target


def test_samples_are_listed_and_listed_samples_exist() -> None:
    """The sample table names each cell folder, and no other."""
    table = (ROOT / "sample_logs" / "README.md").read_text(encoding="utf-8")
    listed = set(re.findall(r"\]\(([a-z-]+)/README\.md\)", table))
    assert listed == {path.parent.name for path in ROOT.glob("sample_logs/*/cell.toml")}
