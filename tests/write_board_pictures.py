"""Writes the README's pictures of the board, from sample cells in the browser that also tests it.

python -m tests.write_board_pictures
"""

import shutil
import tempfile
from pathlib import Path

from playwright.sync_api import Page, ViewportSize, sync_playwright

from tests.board.serving import Served, somebody_reads
from tests.board.shops import shop_of
from tests.browser import QUIET

PICTURES = Path(__file__).parents[1] / "sample_logs"
SHOP = {"M1": "noise-only", "M2": "steady-wear", "M4": "wrong-way"}
PANEL = ViewportSize(width=1280, height=800)


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        folder = shop_of(Path(scratch) / "cell", SHOP)
        somebody_reads(folder)
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=list(QUIET))
        with Served(folder) as board:
            page = browser.new_page(viewport=PANEL, color_scheme="light")
            page.goto(board.address)
            _write(page, "board-shop.png")
            page.get_by_role("link", name="See the proposal").first.click()
            page.wait_for_selector("img.trend")
            _write(page, "board-proposal.png")
            page.goto(f"{board.address}/register?machine=M4&name=tool%203%20radius")
            page.wait_for_selector("canvas")
            _write(page, "board-register.png")
            page.close()
        browser.close()


def _write(page: Page, name: str) -> None:
    page.wait_for_timeout(500)
    PICTURES.mkdir(exist_ok=True)
    page.screenshot(path=str(PICTURES / name))


if __name__ == "__main__":
    main()
