"""Tries limits on the cell's past, in a process of its own: it takes all of a processor for seconds."""

import hashlib
import json
import subprocess
import sys
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from feedback.board.access import RefusedError
from feedback.errors import UsageError

LONGEST_S: Final = 300
KEPT: Final = 8


@dataclass(frozen=True, slots=True)
class Trial:
    """What a replay of the past under other limits came to."""

    key: str
    text: str
    lines: Sequence[Mapping[str, Any]]
    picture: str


class Trials:
    """Runs one replay at a time and keeps the newest few."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._busy = threading.Lock()
        self._kept: OrderedDict[str, Trial] = OrderedDict()

    def of(self, text: str, newest_event: int) -> Trial:
        """The trial of the limits in `text` on the history up to `newest_event`.

        UsageError where they are faulty or there is nothing to replay; RefusedError while another replay is under way.
        """
        key = hashlib.sha256(f"{newest_event} {text}".encode()).hexdigest()[:16]
        if key not in self._kept:
            if not self._busy.acquire(blocking=False):
                raise RefusedError("another replay is under way; try again in a moment", 503)
            try:
                self._kept[key] = self._run(key, text)
            finally:
                self._busy.release()
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return self._kept[key]

    def picture(self, key: str) -> str:
        """The picture of a trial that is still kept."""
        found = self._kept.get(key)
        if found is None:
            raise UsageError("there is no such replay any more; try the limits again")
        return found.picture

    def _run(self, key: str, text: str) -> Trial:
        with tempfile.TemporaryDirectory() as scratch:
            limits, picture = Path(scratch) / "limits.toml", Path(scratch) / "replay.svg"
            limits.write_text(text, encoding="utf-8")
            asked = ("replay", "--quick", "--json", "--limits", str(limits), "--picture", str(picture))
            ended = self._asked(asked)
            if ended.returncode not in (0, 3):
                raise UsageError(ended.stderr.replace(f"{scratch}/", "").removeprefix("trueup: ").strip())
            document = json.loads(ended.stdout)
            drawn = picture.read_text(encoding="utf-8")
            return Trial(key, text, document["registers"], drawn.replace(f"{scratch}/", ""))

    def _asked(self, words: Sequence[str]) -> "subprocess.CompletedProcess[str]":
        command = [sys.executable, "-m", "feedback", "--cell", str(self._folder), *words]
        try:
            return subprocess.run(
                command, capture_output=True, text=True, encoding="utf-8", check=False, timeout=LONGEST_S
            )
        except subprocess.TimeoutExpired:
            raise UsageError(
                f"the replay took longer than {LONGEST_S} s and was ended; run it apart: trueup replay --limits FILE"
            ) from None
