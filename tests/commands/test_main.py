"""The entry point: interruptions, gone readers, and exit codes as the shell sees them."""

import subprocess
import sys
from pathlib import Path
from unittest.mock import patch

import pytest

from tests.commands.saying import SAMPLES, trueup

TRUEUP = (sys.executable, "-m", "feedback")


def test_an_interruption_is_said_in_a_word(unread_cell: Path) -> None:
    """Ctrl-C in the middle of a command ends it with a word and a code that is not 0."""
    with patch("feedback.cell.open_cell", side_effect=KeyboardInterrupt):
        said = trueup("process", cell=unread_cell)

    assert said.code == 1
    assert said.err.strip() == "trueup: interrupted"


def test_a_reader_that_goes_away_is_no_failure(read_cell: Path) -> None:
    """`trueup history | head -1`: the rest of the list is wanted by nobody, and nobody is told."""
    with subprocess.Popen(
        [*TRUEUP, "--cell", str(read_cell), "history", "--all"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()  # before the first line is written
        said = running.stderr.read()

    assert (running.returncode, said) == (0, b"")


@pytest.mark.parametrize(
    ("words", "code"),
    [(("--version",), 0), (("--help",), 0), (("statsu",), 2), (("read", "LOG"), 3)],
    ids=lambda value: value[0] if isinstance(value, tuple) else str(value),
)
def test_the_shell_sees_the_exit_code(words: tuple[str, ...], code: int) -> None:
    """What a command means by its exit code arrives at the shell that called it."""
    cell = SAMPLES / "broken-text"
    log = next((cell / "logs" / "M1").iterdir())
    ended = subprocess.run(
        [*TRUEUP, "--cell", str(cell), *(str(log) if word == "LOG" else word for word in words)],
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert ended.returncode == code
