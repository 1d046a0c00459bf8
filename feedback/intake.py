"""Finds new log text: what lies in the log folders that has not been taken yet.

Every whole line is offered once, over growth, rotation, renaming, copying, truncation and restarts (see
`feedback.reading.streams` for how text is known again). Files are only ever read. A folder that cannot be read is
reported in `troubles` and tried again at the next look. Limits of what can be known: a copy that has grown differently
from its original, and the beginning of a file whose original is gone, are new streams; their readings are then marked
as delivered before (`feedback.trust`).
"""

import os
import stat
import time
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import chain, product
from pathlib import Path
from typing import BinaryIO, Final

from feedback.reading.streams import EDGE, Known, Running, Stream, sha

CHUNK_BYTES: Final = 1 << 20
LONGEST_UNFINISHED: Final = 64 << 20  # without a line end in so many bytes a file is no log
SETTLED_NS: Final = 2_000_000_000  # a file changed later than this before a look may change again within its time stamp
FED: Final = "(fed)"  # stands for the file of text that comes without one

_SKIPPED: Final = (".tmp", ".part", "~")
_PACKED: Final = (".gz", ".bz2", ".xz", ".zst", ".zip", ".7z")
_HOLDS_NOTHING: Final = (b"", b"%")
_LONG: Final = 1 << 16  # running digests of longer streams are kept, so that growth does not mean reading all again
_RUNNING_KEPT: Final = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class NewText:
    """Text not taken yet: `data` stands at byte `start` of its stream and is whole lines.

    `stream` is the stream before (None: a new one), `after` the same once this is taken: store `after` with the text.
    `path` is "machine/file". `last`: no newer text of this machine was in sight. `closes`: `data` is a half-written
    line whose file is gone or holds other text now: the reader is to be closed after it, and `after` does not count it.
    """

    machine: str
    path: str
    stream: Stream | None
    after: Stream
    start: int
    data: bytes
    last: bool = False
    closes: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A file whose last line has no line end yet: `data` stands at byte `start`; `since` is the file's time then."""

    machine: str
    path: str
    stream: Stream | None
    start: int
    data: bytes
    since: datetime

    def __str__(self) -> str:
        clock = f"{self.since:%Y-%m-%d %H:%M:%S} UTC"
        return f"{self.path}: the last line is half-written since {clock}; it is read when its line end comes"


@dataclass(frozen=True, slots=True)
class _Seen:
    """One file as it was when it was last gone through."""

    stamp: tuple[int, int] | None  # size and mtime_ns; None: look again, it may have changed within its time stamp
    stream: str | None  # id of the stream it holds; None: an old copy, or no whole line yet


@dataclass(frozen=True, slots=True)
class _File:
    """One file of a log folder as a scan shows it."""

    machine: str
    path: str
    label: str
    size: int
    mtime_ns: int


@dataclass(slots=True)
class _Orphan:
    """A half-written line whose file is gone or holds other text; given up when two full looks have not found it.

    Two, because a file that is renamed during a scan may be missing from it under either name.
    """

    waiting: Waiting
    looks: int = 0
    closing: NewText | None = None


class Intake:
    """The log folders of every machine, and what has been taken of them.

    `folders`: each machine's log folders; `known`: every stream taken so far, as stored. The owner stores each text
    that `look` or `feed` offers and then calls `taken`; what was not taken is offered at the next look again.
    """

    def __init__(self, folders: Mapping[str, tuple[Path, ...]], known: Iterable[Stream]) -> None:
        self._folders = folders
        self._known = {machine: Known() for machine in folders}
        self._ids: set[str] = set()
        self._stored: dict[str, Stream] = {}
        self._offered: set[str] = set()
        self._places: dict[str, str] = {}  # a file that holds everything taken of the stream
        self._seen: dict[str, _Seen] = {}
        self._running: dict[str, Running] = {}
        self._fed: dict[str, tuple[Running, str, bytes]] = {}  # digests, stream id, half-written line
        self._waiting: dict[str, Waiting] = {}
        self._orphans: list[_Orphan] = []
        self._troubles: dict[str, dict[str, None]] = {}  # by machine, each once, in order
        self._away: set[str] = set()  # machines of which not every folder could be listed
        self._ahead = 0
        for stream in known:
            self._remember(stream)

    # -- what a person may want to know --------------------------------------------------------------------------

    @property
    def troubles(self) -> list[str]:
        """What kept log text from being read at the last look, in words."""
        return [words for machine in self._folders for words in self._troubles.get(machine, {})]

    @property
    def away(self) -> frozenset[str]:
        """Machines of which not every log folder could be listed at the last whole look."""
        return frozenset(self._away)

    @property
    def waiting(self) -> list[Waiting]:
        """Files whose last line has no line end yet."""
        return sorted(self._waiting.values(), key=lambda waiting: waiting.path)

    def waiting_words(self) -> list[str]:
        return [str(waiting) for waiting in self.waiting]

    @property
    def bytes_ahead(self) -> int:
        """About how many bytes of new text the look under way has still to offer."""
        return self._ahead

    # -- new text ------------------------------------------------------------------------------------------------

    def look(self, hints: Collection[Path] | None = None, chunk_bytes: int = CHUNK_BYTES) -> Iterator[NewText]:
        """New text of every machine, each machine's oldest file first; of the files in `hints` alone, when given."""
        self._forget_untaken()
        started_ns = time.time_ns()
        present: dict[str, set[str]] = {}
        changed = self._scan(present) if hints is None else self._hinted(hints)
        self._ahead = sum(file.size - self._taken_of(file) for files in changed.values() for file in files)
        for machine, files in changed.items():
            oldest_first = sorted(files, key=lambda file: (file.mtime_ns, file.path))
            self._recognise(oldest_first)
            texts = self._texts(oldest_first, started_ns, chunk_bytes)
            yield from self._offer(chain(texts, self._given_up(machine, present.get(machine))))
        self._ahead = 0

    def feed(self, machine: str, data: bytes, chunk_bytes: int = CHUNK_BYTES) -> Iterator[NewText]:
        """New text that comes without a file; a half-written line waits for the next call.

        All that is fed to one Intake of one machine is one stream; the next Intake begins another.
        """
        label = f"{machine}/{FED}"
        running, id, unfinished = self._fed.get(machine) or (Running(), self._new_id(label), b"")
        data = unfinished + data
        stream = running.stream(id, machine, label) if running.length else None
        for text in _in_chunks(data, chunk_bytes):
            running = running.copy()
            running.take(text)
            after = running.stream(id, machine, label)
            data = data[len(text) :]
            start = after.taken - len(text)
            last = b"\n" not in data
            yield NewText(machine=machine, path=label, stream=stream, after=after, start=start, data=text, last=last)
            self._fed[machine] = running, id, data  # not before: a text that could not be stored can be fed again
            stream = after
        self._fed[machine] = running, id, data

    def taken(self, new: NewText, stream: Stream | None = None) -> None:
        """`new` has been stored, and its stream as `stream` (`new.after` by default)."""
        after = stream or new.after
        self._stored[after.id] = after
        if new.closes:
            self._orphans = [orphan for orphan in self._orphans if orphan.closing != replace(new, last=False)]
        if self._known[new.machine].streams.get(after.id) == after:
            self._offered.discard(after.id)

    def _offer(self, texts: Iterator[NewText]) -> Iterator[NewText]:
        """The texts with the last one marked."""
        before = next(texts, None)
        while before is not None:
            after = next(texts, None)
            self._ahead = max(self._ahead - len(before.data), 0)
            yield replace(before, last=after is None)
            before = after

    def _texts(self, files: list[_File], started_ns: int, chunk_bytes: int) -> Iterator[NewText]:
        for file in files:
            try:
                with Path(file.path).open("rb") as opened:
                    yield from self._go_through(file, opened, started_ns, chunk_bytes)
            except FileNotFoundError:
                continue  # renamed or deleted since the scan: the next look will tell
            except OSError as error:
                self._trouble(
                    file.machine, f"{file.label}: cannot be read: {error.strerror or error}; it is tried again"
                )

    def _go_through(self, file: _File, opened: BinaryIO, started_ns: int, chunk_bytes: int) -> Iterator[NewText]:
        """One file's new text; afterwards the file counts as seen."""
        first = opened.read(EDGE)
        size = max(os.fstat(opened.fileno()).st_size, len(first))
        stream = self._stream_of(file, opened, first, size)
        self._leave_behind(file, stream)
        if stream is None and self._is_old_copy(file, opened, first, size):
            self._waiting.pop(file.path, None)
            self._see(file, None, started_ns)
            return
        rest = _Rest(opened, stream.taken if stream else 0, chunk_bytes)
        running = None
        for data in rest:
            running = running or self._running_at(opened, stream)
            new = self._new_text(file, stream, running, data)
            if stream is None or stream.taken < EDGE:
                self._known[file.machine].put_opening(new.after.id, first[: new.after.taken])
            stream = new.after
            yield new
        self._wait(file, stream, rest)
        self._see(file, stream, started_ns)

    def _new_text(self, file: _File, stream: Stream | None, running: Running, data: bytes) -> NewText:
        running.take(data)
        id = stream.id if stream else self._new_id(file.label)
        after = running.stream(id, file.machine, file.label)
        self._keep_running(id, running)
        self._known[file.machine].put(after)
        self._places[id] = file.path
        self._offered.add(id)
        start = running.length - len(data)
        return NewText(machine=file.machine, path=file.label, stream=stream, after=after, start=start, data=data)

    # -- which stream a file holds -------------------------------------------------------------------------------

    def _recognise(self, files: list[_File]) -> None:
        """Find where the streams are now, before any of the files is called an old copy of one of them or a new one."""
        if len(files) < 2 or not self._known[files[0].machine].streams:
            return
        for file in files:
            with suppress(OSError), Path(file.path).open("rb") as opened:
                first = opened.read(EDGE)
                self._stream_of(file, opened, first, file.size)

    def _stream_of(self, file: _File, opened: BinaryIO, first: bytes, size: int) -> Stream | None:
        """The longest known stream that the file begins with."""
        for stream in self._known[file.machine].within(first, size):
            if stream.taken < EDGE or self._begins_with(file, opened, stream, size):
                if self._places.get(stream.id) != file.path:
                    self._known[file.machine].put_opening(stream.id, first[: stream.taken])
                self._places[stream.id] = file.path
                return stream
        return None

    def _begins_with(self, file: _File, opened: BinaryIO, stream: Stream, size: int) -> bool:
        if _piece(opened, stream.taken - EDGE, EDGE) != stream.tail:
            return False
        at_home = self._place(stream) == file.path
        if at_home and (size == stream.taken or stream.id in self._running):
            return True  # both ends agree, and all of it was compared when it came here
        running = _hashed(opened, stream.taken)
        if not running.matches(stream):
            return False
        self._keep_running(stream.id, running)
        return True

    def _is_old_copy(self, file: _File, opened: BinaryIO, first: bytes, size: int) -> bool:
        """Whether all of the file has been taken before, from another file that still shows it."""
        if len(first) < EDGE:
            self._learn_openings(file.machine)
        for stream in self._known[file.machine].around(first, size):
            place = self._place(stream)
            if place is not None and place != file.path and _shows(place, stream) and _same(opened, place, size):
                return True
        return False

    def _learn_openings(self, machine: str) -> None:
        """Look at the first lines of streams that were taken before this Intake began."""
        known = self._known[machine]
        for id in list(known.without_opening):
            stream = known.streams[id]
            place = self._place(stream)
            first = b"" if place is None else _first(place)[: stream.taken]
            known.put_opening(id, first if sha(first) == stream.head else b"")

    def _place(self, stream: Stream) -> str | None:
        """The file that was last known to hold the stream."""
        if stream.id not in self._places:
            name = stream.path.removeprefix(f"{stream.machine}/")
            files = [str(folder / name) for folder in self._folders[stream.machine] if (folder / name).is_file()]
            if not files:
                return None
            self._places[stream.id] = files[0]
        return self._places[stream.id]

    def _running_at(self, opened: BinaryIO, stream: Stream | None) -> Running:
        """The digests of what has been taken of the stream, from memory or from the file."""
        if stream is None:
            return Running()
        kept = self._running.get(stream.id)
        return kept if kept is not None and kept.matches(stream) else _hashed(opened, stream.taken)

    def _keep_running(self, id: str, running: Running) -> None:
        self._running.pop(id, None)
        if running.length >= _LONG:
            self._running[id] = running
            if len(self._running) > _RUNNING_KEPT:
                del self._running[next(iter(self._running))]

    # -- half-written lines --------------------------------------------------------------------------------------

    def _wait(self, file: _File, stream: Stream | None, rest: "_Rest") -> None:
        """Note what is left over in the file, if it is more than a mark of the end."""
        if rest.is_no_log:
            self._trouble(file.machine, f"{file.label}: no line end in {LONGEST_UNFINISHED >> 20} MiB; wanted log text")
        before = self._waiting.pop(file.path, None)
        if rest.is_no_log or rest.unfinished.strip() in _HOLDS_NOTHING:
            return
        since = datetime.fromtimestamp(file.mtime_ns / 1e9, UTC)
        if before is not None and before.start == rest.reached and rest.unfinished.startswith(before.data):
            since = before.since
        self._waiting[file.path] = Waiting(
            machine=file.machine,
            path=file.label,
            stream=stream,
            start=rest.reached,
            data=rest.unfinished,
            since=since,
        )

    def _leave_behind(self, file: _File, stream: Stream | None) -> None:
        """If the file holds other text now, the half-written line that waited in it has been left behind."""
        waiting = self._waiting.get(file.path)
        if waiting is None:
            return
        if waiting.stream is None:
            is_here = _shows_at(file.path, 0, waiting.data)
        else:
            is_here = stream is not None and stream.id == waiting.stream.id
        if not is_here:
            self._orphans.append(_Orphan(self._waiting.pop(file.path)))

    def _given_up(self, machine: str, present: set[str] | None) -> Iterator[NewText]:
        """Half-written lines that nothing can complete any more. `present`: every file there is; None: not known."""
        if present is None or machine in self._away:
            return  # what cannot be seen now may still be there
        for path, waiting in list(self._waiting.items()):
            if waiting.machine == machine and path not in present:
                self._orphans.append(_Orphan(self._waiting.pop(path)))
        for orphan in [orphan for orphan in self._orphans if orphan.waiting.machine == machine]:
            orphan.looks += 1
            if self._is_elsewhere(orphan.waiting, present):
                self._orphans.remove(orphan)
            elif orphan.looks > 1:
                orphan.closing = orphan.closing or self._closing(orphan.waiting)
                yield orphan.closing

    def _is_elsewhere(self, waiting: Waiting, present: set[str]) -> bool:
        """Whether another file shows the half-written line, or its stream has gone on."""
        stream = waiting.stream
        if stream is None:
            return any(_shows_at(path, 0, waiting.data) for path in present)
        now = self._known[waiting.machine].streams.get(stream.id)
        if now is not None and now.taken > waiting.start:
            return True
        held_by = [path for path, seen in self._seen.items() if seen.stream == stream.id and path in present]
        return any(_shows_at(path, waiting.start, waiting.data) for path in held_by)

    def _closing(self, waiting: Waiting) -> NewText:
        stream = waiting.stream
        after = stream or Stream(id=self._new_id(waiting.path), machine=waiting.machine, path=waiting.path)
        return NewText(
            machine=waiting.machine,
            path=waiting.path,
            stream=stream,
            after=after,
            start=waiting.start,
            data=waiting.data,
            closes=True,
        )

    # -- looking into folders ------------------------------------------------------------------------------------

    def _scan(self, present: dict[str, set[str]]) -> dict[str, list[_File]]:
        """The changed files of every machine; fills in the paths of all files there are."""
        self._troubles, self._away = {}, set()
        changed: dict[str, list[_File]] = {}
        for machine, folders in self._folders.items():
            changed[machine], present[machine] = [], set()
            for folder in folders:
                self._scan_folder(machine, str(folder), changed[machine], present[machine])
        if not self._away and len(self._seen) > sum(map(len, present.values())):
            there = set().union(*present.values())
            self._seen = {path: seen for path, seen in self._seen.items() if path in there}
        return changed

    def _scan_folder(self, machine: str, folder: str, changed: list[_File], present: set[str]) -> None:
        within = [folder]
        while within:
            here = within.pop()
            try:
                with os.scandir(here) as entries:
                    self._scan_entries(machine, folder, entries, within, changed, present)
            except OSError as error:
                self._away.add(machine)
                self._trouble(machine, f"{here}: cannot be read: {error.strerror or error}; it is tried again")

    def _scan_entries(
        self,
        machine: str,
        folder: str,
        entries: Iterable["os.DirEntry[str]"],
        within: list[str],
        changed: list[_File],
        present: set[str],
    ) -> None:
        """One folder's entries: folders go to `within`. Kept plain and flat: thousands of unchanged files pass here."""
        seen_before = self._seen.get
        for entry in entries:
            path = entry.path
            seen = seen_before(path)
            if seen is None and _is_passed_over(entry.name):
                continue
            if entry.is_dir(follow_symlinks=False):
                within.append(path)
                continue
            try:
                facts = entry.stat()
            except OSError:
                continue  # gone since the folder was listed
            present.add(path)
            if seen is None or seen.stamp != (facts.st_size, facts.st_mtime_ns):
                changed += self._log_file(machine, folder, path, facts)

    def _log_file(self, machine: str, folder: str, path: str, facts: os.stat_result) -> list[_File]:
        """The file, if it is one to read."""
        if not stat.S_ISREG(facts.st_mode):
            return []
        label = f"{machine}/{Path(path).relative_to(folder).as_posix()}"
        if path.lower().endswith(_PACKED):
            self._trouble(machine, f"{label}: packed files are not read; unpack it if it holds lines not taken yet")
            return []
        return [_File(machine, path, label, facts.st_size, facts.st_mtime_ns)]

    def _hinted(self, hints: Collection[Path]) -> dict[str, list[_File]]:
        """The files in `hints` that belong to a machine."""
        changed: dict[str, list[_File]] = {}
        for machine, folders in self._folders.items():
            for folder, path in product(folders, hints):
                if folder not in path.parents or any(map(_is_passed_over, path.relative_to(folder).parts)):
                    continue
                with suppress(OSError):
                    changed.setdefault(machine, []).extend(self._log_file(machine, str(folder), str(path), path.stat()))
        return changed

    def _taken_of(self, file: _File) -> int:
        seen = self._seen.get(file.path)
        stream = self._known[file.machine].streams.get(seen.stream) if seen and seen.stream else None
        return min(stream.taken, file.size) if stream else 0

    def _see(self, file: _File, stream: Stream | None, started_ns: int) -> None:
        settled = file.mtime_ns < started_ns - SETTLED_NS
        stamp = (file.size, file.mtime_ns) if settled else None
        self._seen[file.path] = _Seen(stamp, stream.id if stream else None)

    def _trouble(self, machine: str, words: str) -> None:
        self._troubles.setdefault(machine, {})[words] = None

    # -- streams -------------------------------------------------------------------------------------------------

    def _remember(self, stream: Stream) -> None:
        self._ids.add(stream.id)
        self._stored[stream.id] = stream
        if stream.machine in self._known and stream.path != f"{stream.machine}/{FED}":
            self._known[stream.machine].put(stream)

    def _new_id(self, label: str) -> str:
        """The label, numbered from its second stream on."""
        id, number = label, 1
        while id in self._ids:
            number += 1
            id = f"{label}#{number}"
        self._ids.add(id)
        return id

    def _forget_untaken(self) -> None:
        """Texts that were offered and not taken are new again."""
        offered, self._offered = self._offered, set()
        if not offered:
            return
        for known in self._known.values():
            for id in offered & known.streams.keys():
                self._running.pop(id, None)
                if id in self._stored:
                    known.put(self._stored[id])
                else:
                    known.drop(id)
                    self._ids.discard(id)
        self._seen = {path: seen for path, seen in self._seen.items() if seen.stream not in offered}
        for path, waiting in list(self._waiting.items()):
            if waiting.stream is not None and waiting.stream.id in offered:
                del self._waiting[path]


class _Rest:
    """The whole lines of an open file from byte `start` on, in chunks; what is left over waits in `unfinished`."""

    def __init__(self, opened: BinaryIO, start: int, chunk_bytes: int) -> None:
        self.reached = start
        self.unfinished = b""
        self.is_no_log = False
        self._opened = opened
        self._chunk_bytes = chunk_bytes

    def __iter__(self) -> Iterator[bytes]:
        read = self.reached
        while True:
            self._opened.seek(read)
            more = self._opened.read(self._chunk_bytes)
            read += len(more)
            if not more:
                return
            end = more.rfind(b"\n") + 1
            if end:
                whole = self.unfinished + more[:end]
                self.unfinished = more[end:]
                self.reached += len(whole)
                yield whole
            else:
                self.unfinished += more
                if len(self.unfinished) > LONGEST_UNFINISHED:
                    self.is_no_log = True
                    return


def _in_chunks(data: bytes, chunk_bytes: int) -> Iterator[bytes]:
    """The whole lines of `data`, about `chunk_bytes` at a time."""
    reached = 0
    while end := data.rfind(b"\n", reached, reached + chunk_bytes) + 1 or data.find(b"\n", reached) + 1:
        yield data[reached:end]
        reached = end


def _is_passed_over(name: str) -> bool:
    return name.startswith(".") or name.lower().endswith(_SKIPPED)


def _hashed(opened: BinaryIO, length: int) -> Running:
    """The digests of the file's first `length` bytes (fewer, if it has become shorter)."""
    running = Running()
    opened.seek(0)
    while data := opened.read(min(CHUNK_BYTES, length - running.length)):
        running.take(data)
    return running


def _piece(opened: BinaryIO, start: int, length: int) -> str:
    opened.seek(start)
    return sha(opened.read(length))


def _first(path: str) -> bytes:
    try:
        with Path(path).open("rb") as opened:
            return opened.read(EDGE)
    except OSError:
        return b""


def _shows_at(path: str, start: int, data: bytes) -> bool:
    """Whether `data` stands at byte `start` of the file."""
    try:
        with Path(path).open("rb") as opened:
            opened.seek(start)
            return opened.read(len(data)) == data
    except OSError:
        return False


def _shows(path: str, stream: Stream) -> bool:
    """Whether both ends of the stream are still where they were in the file."""
    try:
        with Path(path).open("rb") as opened:
            edge = min(stream.taken, EDGE)
            return _piece(opened, 0, edge) == stream.head and _piece(opened, stream.taken - edge, edge) == stream.tail
    except OSError:
        return False


def _same(opened: BinaryIO, path: str, size: int) -> bool:
    """Whether the first `size` bytes of both files are the same."""
    try:
        with Path(path).open("rb") as other:
            opened.seek(0)
            while size > 0:
                length = min(size, CHUNK_BYTES)
                data = opened.read(length)
                if len(data) < length or data != other.read(length):
                    return False
                size -= length
    except OSError:
        return False
    return True
