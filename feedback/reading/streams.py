"""Streams of log text and how one is known again: by what it says, never by its name or its place on a disk.

A file that begins with everything taken of a stream is that stream, under whatever name: it grew, was renamed, rotated
away or copied. A file that says no more than the beginning of a stream is an old copy of it. Any other is a new one.
"""

import hashlib
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

EDGE: Final = 4096  # bytes at each end of a stream that tell it from others at a glance
NOTHING: Final = hashlib.sha256().hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stream:
    """How far one stream has been taken: always whole lines.

    `path` is "machine/file", where the stream was last seen. Digests are sha256, hexadecimal: `head` and `tail` of the
    first and last min(taken, 4096) bytes taken, `digest` of all of them.
    """

    id: str
    machine: str
    path: str
    taken: int = 0
    head: str = NOTHING
    tail: str = NOTHING
    digest: str = NOTHING


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


class Running:
    """The digests of a text that grows at its end."""

    def __init__(self) -> None:
        self.length = 0
        self._all = hashlib.sha256()
        self._head = b""
        self._tail = b""

    def take(self, data: bytes) -> None:
        self._all.update(data)
        self.length += len(data)
        if len(self._head) < EDGE:
            self._head += data[: EDGE - len(self._head)]
        self._tail = (self._tail + data[-EDGE:])[-EDGE:]

    def copy(self) -> "Running":
        twin = Running()
        twin.length, twin._head, twin._tail, twin._all = self.length, self._head, self._tail, self._all.copy()
        return twin

    def matches(self, stream: Stream) -> bool:
        """Whether this is exactly what was taken of `stream`."""
        return self.length == stream.taken and self._all.hexdigest() == stream.digest

    def stream(self, id: str, machine: str, path: str) -> Stream:
        """The stream that has been taken up to here."""
        head, tail = sha(self._head), sha(self._tail)
        return Stream(
            id=id, machine=machine, path=path, taken=self.length, head=head, tail=tail, digest=self._all.hexdigest()
        )


class Known:
    """One machine's streams, found by how a file begins."""

    def __init__(self) -> None:
        self.streams: dict[str, Stream] = {}
        self.without_opening: set[str] = set()  # streams whose first lines have not been looked at yet
        self._long: defaultdict[str, set[str]] = defaultdict(set)  # by head
        self._short: dict[tuple[int, str], str] = {}  # by length and digest
        self._lengths: Counter[int] = Counter()
        self._openings: defaultdict[tuple[int, str], set[str]] = defaultdict(set)

    def put(self, stream: Stream) -> None:
        """`stream` as it now stands."""
        if stream.id in self.streams:
            self._unlist(self.streams[stream.id])
        else:
            self.without_opening.add(stream.id)
        self.streams[stream.id] = stream
        if stream.taken >= EDGE:
            self._long[stream.head].add(stream.id)
        elif stream.taken:
            self._short[stream.taken, stream.digest] = stream.id
            self._lengths[stream.taken] += 1

    def drop(self, id: str) -> None:
        self._unlist(self.streams.pop(id))
        self.without_opening.discard(id)

    def put_opening(self, id: str, first: bytes) -> None:
        """The stream's first bytes are `first` (up to 4096 of those taken)."""
        self.without_opening.discard(id)
        for point in _points(first):
            self._openings[point].add(id)

    def within(self, first: bytes, size: int) -> list[Stream]:
        """Streams that a file of `size` bytes beginning with `first` may begin with, longest first.

        Those shorter than 4096 bytes are certain; of the others only the head has been compared.
        """
        long = self._long.get(sha(first), ()) if len(first) == EDGE else ()
        found = [self.streams[id] for id in long if self.streams[id].taken <= size]
        found.sort(key=lambda stream: stream.taken, reverse=True)
        return found + [self.streams[id] for id in self._shorter(first)]

    def around(self, first: bytes, size: int) -> list[Stream]:
        """Streams of which a file of `size` bytes beginning with `first` may be an old copy."""
        if len(first) == EDGE:
            ids = self._long.get(sha(first), set())
        else:
            points = list(_points(first))
            ids = self._openings.get(points[-1], set()) if points else set()
        return [self.streams[id] for id in ids if id in self.streams and self.streams[id].taken >= size]

    def _shorter(self, first: bytes) -> list[str]:
        running, reached, found = hashlib.sha256(), 0, []
        for end in _line_ends(first):
            if end in self._lengths:
                running.update(first[reached:end])
                reached = end
                id = self._short.get((end, running.hexdigest()))
                if id is not None:
                    found.append(id)
        return found[::-1]

    def _unlist(self, stream: Stream) -> None:
        if stream.taken >= EDGE:
            self._long[stream.head].discard(stream.id)
        elif stream.taken and self._short.get((stream.taken, stream.digest)) == stream.id:
            del self._short[stream.taken, stream.digest]
            self._lengths[stream.taken] -= 1
            if not self._lengths[stream.taken]:
                del self._lengths[stream.taken]


def _line_ends(text: bytes) -> Iterator[int]:
    end = text.find(b"\n") + 1
    while end:
        yield end
        end = text.find(b"\n", end) + 1


def _points(first: bytes) -> Iterator[tuple[int, str]]:
    """Length and digest of the first line, and of the first whole lines that reach 2, 4, 8 ... bytes.

    Two texts, one of which begins with the other, have the shorter one's points in common.
    """
    reach = 1
    for end in _line_ends(first):
        if end >= reach:
            yield end, sha(first[:end])
            while reach <= end:
                reach *= 2
