"""The golden files guard something only while a test reads them."""

import pytest

from tests.conftest import GOLDEN, SUFFIXES, Golden, unused_golden


def present() -> set[str]:
    return {path.name for path in GOLDEN.iterdir() if path.suffix in SUFFIXES}


def test_a_file_no_test_asks_for_is_listed() -> None:
    """A golden file left over from a renamed case proves nothing, and a whole run fails over it."""
    assert unused_golden(present() - {"sheet_tool_x.txt"}) == ["sheet_tool_x.txt"]
    assert unused_golden(present()) == []


def test_a_changed_text_fails(golden: Golden, request: pytest.FixtureRequest) -> None:
    """One letter of difference is enough."""
    if request.config.getoption("--update-golden"):
        return
    with pytest.raises(AssertionError, match=r"sheet_tool_x.txt differs"):
        golden("sheet_tool_x.txt", (GOLDEN / "sheet_tool_x.txt").read_text() + " ")


def test_every_file_is_plain_ascii_with_line_feeds() -> None:
    """What a control reads has no other bytes in it."""
    for name in present():
        held = (GOLDEN / name).read_bytes()
        assert held.isascii()
        assert b"\r" not in held
        assert held.endswith(b"\n")
