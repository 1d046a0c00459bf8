"""A real browser, from the system: an outside judge of pictures and pages, one for the whole run."""

import shutil
from collections.abc import Iterator
from typing import Final

import pytest
from playwright.sync_api import Browser, sync_playwright

# These arguments keep it from reaching for a network or a display.
QUIET: Final = ("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
                "--disable-component-update", "--disable-sync")  # fmt: skip


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The browser, opened once; every test opens pages or profiles of its own."""
    place = shutil.which("chromium")
    assert place is not None, "no chromium: tests/setup_judges installs it"
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=place, args=list(QUIET))
        yield launched
        launched.close()
