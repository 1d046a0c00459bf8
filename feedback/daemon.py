"""Watches the log folders. File events are hints; the rescan is the truth.

File events get lost (queue overflow, a share that was away, a folder made anew), so every look is a scan of its own
and a look happens at least every `rescan_s`. Watching a share gives no events at all on most systems: then the rescan
alone does the work.
"""

import contextlib
import logging
import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import Any

from feedback import heartbeat
from feedback.cell import Cell
from feedback.errors import StoreError, TrueupError

log = logging.getLogger("trueup")


class Hints:
    """Collects the paths that file events name, until the next look takes them."""

    def __init__(self) -> None:
        self.stirred = threading.Event()
        self._paths: set[Path] = set()
        self._lock = threading.Lock()

    def add(self, path: Path) -> None:
        with self._lock:
            self._paths.add(path)
        self.stirred.set()

    def take(self) -> set[Path]:
        self.stirred.clear()
        with self._lock:
            paths, self._paths = self._paths, set()
        return paths


class FolderEvents:
    """The operating system's file events of all log folders, put up again whenever they have died."""

    def __init__(self, folders: list[Path], hints: Hints) -> None:
        self._folders = folders
        self._hints = hints
        self._observer: Any = None

    def revive(self) -> None:
        """Start watching, or start anew when a watched folder went away: its emitter dies without a word."""
        if self._observer is not None and self._all_alive():
            return
        self.stop()
        from watchdog.observers import Observer

        self._observer = Observer()
        handler = _handler(self._hints)
        for folder in self._folders:
            # A folder that is away (a share) is found by the rescan when it is back.
            with contextlib.suppress(OSError):
                self._observer.schedule(handler, str(folder), recursive=True)
        self._observer.start()

    def _all_alive(self) -> bool:
        watched = {Path(emitter.watch.path) for emitter in self._observer.emitters if emitter.is_alive()}
        return watched >= {folder for folder in self._folders if folder.is_dir()}

    def stop(self) -> None:
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(timeout=5)
            self._observer = None


def _handler(hints: Hints) -> Any:
    from watchdog.events import FileSystemEvent, FileSystemEventHandler

    class _Handler(FileSystemEventHandler):
        def on_any_event(self, event: FileSystemEvent) -> None:
            if event.event_type in ("opened", "closed_no_write") or event.is_directory:
                return
            moved_to = os.fsdecode(event.dest_path) if event.dest_path else ""
            hints.add(Path(moved_to or os.fsdecode(event.src_path)))

    return _Handler()


@contextlib.contextmanager
def stopping_on_signals() -> Iterator[threading.Event]:
    """An event that SIGINT and SIGTERM set: the look under way is finished, then the daemon ends."""
    stop = threading.Event()

    def ask_to_stop(_signal: int, _frame: FrameType | None) -> None:
        stop.set()

    before = {name: signal.signal(name, ask_to_stop) for name in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)


def watch(cell: Cell, stop: threading.Event, *, rescan_s: float, after_look: Callable[[dict[str, Any]], None]) -> None:
    """Take new log text until `stop` is set; `after_look` gets the answer document whenever something was taken.

    The configuration is read again when it changes; a faulty one is reported and the last good one stays in force.
    """
    hints = Hints()
    events = FolderEvents(
        [folder for machine in cell.configuration.machines.values() for folder in machine.logs], hints
    )
    complaints = {"configuration": Complaint(), "look": Complaint(), "folders": Complaint()}
    tell_service_manager("READY=1")
    try:
        rescan_due = time.monotonic()
        while not stop.is_set():
            events.revive()
            hinted = hints.take()
            is_rescan = time.monotonic() >= rescan_due
            if is_rescan:
                _refresh(cell, complaints["configuration"])
            looked = _look(cell, None if is_rescan else hinted, after_look, complaints["look"])
            if is_rescan:
                complaints["folders"].say("\n".join(cell.troubles()))
                if looked:
                    heartbeat.beat(cell.folder, every_s=rescan_s, troubles=cell.troubles(), away=cell.away())
                rescan_due = time.monotonic() + rescan_s
                tell_service_manager("WATCHDOG=1")
            _wait(hints, stop, rescan_due)
    finally:
        tell_service_manager("STOPPING=1")
        heartbeat.stop(cell.folder)
        events.stop()


class Complaint:
    """Says a trouble once when it begins, not again at every look while it lasts."""

    def __init__(self) -> None:
        self._said = ""

    def say(self, words: str) -> None:
        if words and words != self._said:
            log.error("%s", words)
        self._said = words

    def is_over(self) -> None:
        self._said = ""


def _refresh(cell: Cell, complaint: Complaint) -> None:
    """Take up a changed configuration; logs are read on under the last good one while the new one is faulty."""
    try:
        if cell.refresh():
            log.info("configuration read again")
        complaint.is_over()
    except TrueupError as error:
        complaint.say(f"{error}\nthe last good configuration stays in force")


def _look(
    cell: Cell, hinted: set[Path] | None, after_look: Callable[[dict[str, Any]], None], complaint: Complaint
) -> bool:
    """Take what there is; True when the look came to its end."""
    try:
        if cell.take_new_text(hints=hinted):
            after_look(cell.document())
        complaint.is_over()
        return True
    except StoreError as error:
        complaint.say(f"{error} (trying again at the next look)")
    except TrueupError as error:
        complaint.say(str(error))
    return False


def _wait(hints: Hints, stop: threading.Event, rescan_due: float) -> None:
    """Until a hint, a signal or the next rescan; a signal is noticed within a quarter of a second."""
    while not stop.is_set() and time.monotonic() < rescan_due:
        if hints.stirred.wait(timeout=0.25):
            return


def tell_service_manager(message: str) -> None:
    """Tell systemd (Type=notify) how we are; nobody listens elsewhere."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.connect("\0" + address[1:] if address.startswith("@") else address)
        channel.send(message.encode())
