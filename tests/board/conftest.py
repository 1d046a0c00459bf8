"""A cell with an open proposal, a board beside it, and a browser."""

import copy
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from tests.board.serving import Served, somebody_reads
from tests.board.shops import give_pins
from tests.stories.shop import SimulatedMachine
from tests.stories.story import Story, machine

# what a page shows in the end is asked here, not how soon a busy computer shows it; where that matters, a test says so
expect.set_options(timeout=15_000)

PANEL = {"width": 1280, "height": 800}

Look = Callable[..., Page]


def worn_until_proposed(story: Story) -> Story:
    """Tool 5 wears until its correction is proposed, which takes about a dozen parts."""
    for _ in range(25):
        story.cut(wear_um=0.3)
        if story.proposal() is not None:
            return story
    raise AssertionError(f"no proposal: {story.decision()}")


@pytest.fixture(scope="session")
def _worn(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, SimulatedMachine]]:
    """A cell in which tool 5 has worn until a correction was proposed, and its machine."""
    folder = tmp_path_factory.mktemp("board") / "cell"
    story = worn_until_proposed(Story(folder, machine()))
    story.cell.close()
    give_pins(folder, ("op1", "pe", "quality"))
    return folder, story.machines


@pytest.fixture
def story(_worn: tuple[Path, dict[str, SimulatedMachine]], tmp_path: Path) -> Iterator[Story]:
    """The cell going on: its machine can cut more, and its logs are read as they come."""
    folder, machines = _worn
    copied = Path(shutil.copytree(folder, tmp_path / "cell"))
    told = Story(copied, *copy.deepcopy(machines).values())
    told.document = told.cell.document()
    somebody_reads(copied)
    yield told
    told.cell.close()


@pytest.fixture
def id(story: Story) -> str:
    """The open proposal."""
    return str(story.open_proposal()["id"])


@pytest.fixture
def board(story: Story) -> Iterator[Served]:
    """A board beside the cell; it takes the machine's clock for the present."""
    with Served(story.folder, now=lambda: story.now("M1")) as served:
        yield served


@pytest.fixture
def look(browser: Browser) -> Iterator[Look]:
    """Opens pages, each with a browser profile of its own; in the end none may have complained on its console."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def open_page(address: str, **options: Any) -> Page:
        context = browser.new_context(viewport=options.pop("viewport", PANEL), **options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(10_000)
        page.on("console", lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(address)
        return page

    yield open_page
    for context in contexts:
        context.close()
    # what the browser itself says of refusals and of a board that was ended on purpose
    expected = ("net::ERR_", "409 (Conflict)", "403 (Forbidden)", "404 (Not Found)", "500 (Internal Server Error)")
    assert not [words for words in complaints if not any(known in words for known in expected)]
