"""The board on a PostgreSQL store: the same answers, the same acts."""

from pathlib import Path

import feedback
from tests.board.conftest import worn_until_proposed
from tests.board.serving import Served, somebody_reads
from tests.board.shops import PIN, give_pins
from tests.stories.story import Story, machine
from tests.stories.test_postgres import empty_database

__all__ = ["empty_database"]


def test_a_proposal_is_shown_and_accepted(tmp_path: Path, empty_database: str) -> None:
    """Asked for changes four times a second, the store keeps one connection and tells of every new event."""
    story = Story(tmp_path / "cell", machine())
    story.cell.close()
    cell_file = story.folder / "cell.toml"
    text = cell_file.read_text(encoding="utf-8")
    cell_file.write_text(text.replace('"sqlite"', f'"{empty_database}"'), encoding="utf-8")
    story.cell = feedback.open_cell(story.folder)
    id = worn_until_proposed(story).open_proposal()["id"]
    give_pins(story.folder, ("op1",))
    somebody_reads(story.folder)
    with Served(story.folder, now=story.now) as board:
        assert "See the proposal" in board.ask("/").text
        page = board.ask(f"/proposal/{id}")
        fields = {"token": page.field("token"), "digest": page.field("digest"), "person": "op1", "pin": PIN,
                  "words": "", "act": "accept"}  # fmt: skip
        number = board.app.state.desk.live.number
        assert board.ask(f"/proposal/{id}/answer", fields, cookie=page.cookie).status == 303
        assert board.app.state.desk.live.number == number + 1
        assert "Enter it:" in board.ask("/").text
        story.deliver("ARTEFACT RING1 ACTUAL 40,0012 TEMP 20\n")
        assert "lines on checks and repeats that cannot be understood and do not count: 1" in board.ask("/probe").text
    assert len(story.events("accepted")) == 1
    story.cell.close()
