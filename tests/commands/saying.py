"""Runs the `trueup` command in this process and keeps what it said."""

import io
import json
import sys
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

from feedback.commands import main

SAMPLES = Path(__file__).parents[2] / "sample_logs"

Ask = Callable[..., "Said"]


@dataclass(frozen=True)
class Said:
    """Exit code and both streams of one command."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """What stands on stdout, which must be exactly one JSON document."""
        found: dict[str, Any] = json.loads(self.out)
        return found


def trueup(*words: str | Path, cell: Path | None = None) -> Said:
    """`trueup --cell CELL WORDS...`; no command may end in a traceback."""
    folder = [] if cell is None else ["--cell", str(cell)]
    out, err = io.StringIO(), io.StringIO()
    with (
        patch.object(sys, "argv", ["trueup", *folder, *map(str, words)]),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        code = _ended(err)
    assert "Traceback" not in out.getvalue() + err.getvalue()
    return Said(code, out.getvalue(), err.getvalue())


def _ended(err: io.StringIO) -> int:
    try:
        main()
    except SystemExit as end:
        if isinstance(end.code, str):  # the interpreter prints such words on stderr and ends with 1
            err.write(end.code)
            return 1
        return int(end.code or 0)
    return 0


def says(said: Said, code: int, *words: str) -> None:
    """The command ended so, told a person these words on stderr, and answered nothing on stdout."""
    assert (said.code, said.out) == (code, ""), said
    missing = [word for word in words if word not in said.err]
    assert not missing, f"{missing} not in {said.err!r}"
