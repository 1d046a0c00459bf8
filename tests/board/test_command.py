"""`trueup board` as a process: with its reader, its PINs, and an end in order."""

import http.client
import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from feedback import heartbeat
from feedback.board.access import pin_is_right
from tests.board.serving import Served, free_port
from tests.commands.saying import says, trueup
from tests.stories.story import Story


class Board:
    """A running `trueup board --watch`."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self.said = folder / "said.txt"
        command = [
            sys.executable,
            "-m",
            "feedback",
            "--cell",
            str(folder),
            "board",
            "--port",
            str(self.port),
            "--watch",
        ]
        with self.said.open("w") as said:
            self.running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=said)

    def get(self, path: str) -> str:
        """The page, as soon as the board is there."""
        until = time.monotonic() + 90
        while True:
            connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
            try:
                connection.request("GET", path)
                return connection.getresponse().read().decode()
            except OSError:
                assert time.monotonic() < until, "the board never answered"
                time.sleep(0.1)
            finally:
                connection.close()

    @contextmanager
    def stream(self) -> Iterator[http.client.HTTPResponse]:
        """An open page's stream."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        connection.request("GET", "/events")
        with closing(connection), closing(connection.getresponse()) as stream:
            yield stream


@pytest.fixture
def running(story: Story) -> Iterator[Board]:
    """A board with a reader of its own; the story's own reading has ended."""
    story.cell.close()
    heartbeat.stop(story.folder)
    board = Board(story.folder)
    yield board
    board.running.kill()
    board.running.wait()


def wait_for(board: Board, path: str, words: str, within_s: float = 90.0) -> str:
    until = time.monotonic() + within_s
    while words not in (page := board.get(path)):
        assert time.monotonic() < until, page
        time.sleep(0.1)
    return page


def test_board_and_reader_live_and_end_together(running: Board, story: Story) -> None:
    """New lines in the log reach the page; SIGTERM ends both in order, with a page still open."""
    wait_for(running, "/", "See the proposal")
    parts = story.machines["M1"].parts_cut
    story.write(story.machines["M1"].cut())
    wait_for(running, "/", f"newest part {101 + parts}")
    with running.stream() as stream:
        assert stream.readline() == b"retry: 1000\n"
        running.running.send_signal(signal.SIGTERM)
        assert running.running.wait(timeout=30) == 0
    assert not (story.folder / "state" / heartbeat.NAME).exists()
    assert "Traceback" not in running.said.read_text()


def test_a_killed_reader_is_seen_at_once(running: Board, story: Story) -> None:
    """Power fails for the reader alone: before a look could be missed no answer is shown as the present one."""
    wait_for(running, "/", "See the proposal")
    reader = json.loads((story.folder / "state" / heartbeat.NAME).read_text())["pid"]
    subprocess.run(["kill", "-9", str(reader)], check=True)
    wait_for(running, "/", "Nobody reads the logs", within_s=20)


def test_a_pin_is_set_for_a_person_of_the_cell(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked for without showing it, and kept."""
    monkeypatch.setattr("click.prompt", lambda *_, **__: "2580")
    said = trueup("board", "--set-pin", "op1", cell=story.folder)
    assert (said.code, said.out) == (0, "The PIN of op1 is set.\n")
    assert pin_is_right(story.folder, "op1", "2580")


def test_nobody_else_gets_a_pin(story: Story) -> None:
    """Who is not in cell.toml is answered with who is."""
    says(trueup("board", "--set-pin", "ghost", cell=story.folder), 2, "'ghost'", "op1, pe, quality", "no PIN was set")


def test_a_port_that_is_taken_is_named(board: Served, story: Story) -> None:
    """Two boards at one port: the second one says so and what to do."""
    port = str(board.settings.port)
    # a process of its own: beside the tests' browser no second event loop may run here
    second = (sys.executable, "-m", "feedback", "--cell", str(story.folder), "board", "--port", port)
    said = subprocess.run(second, capture_output=True, text=True, check=False)
    assert said.returncode == 1
    assert f"port {port}" in said.stderr
    assert "--port" in said.stderr


@pytest.mark.parametrize("name", ["http://panel", "panel:8420", "", "a b", "panel/", "*"])
def test_a_name_that_no_panel_could_call_is_refused(name: str, story: Story) -> None:
    """A board that would turn every panel away says so at its start."""
    says(trueup("board", "--lan", name, cell=story.folder), 2, "--lan", "such as board-pc")


def test_a_folder_that_is_no_cell_is_refused(tmp_path: Path) -> None:
    """The board does not come up with nothing to show."""
    says(trueup("board", cell=tmp_path), 2, "cell.toml", "there is no such file")
