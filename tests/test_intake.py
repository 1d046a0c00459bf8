"""What new text lies in the log folders: every line once, whatever happens to the files."""

import os
import shutil
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, consumes, initialize, invariant, rule

from feedback.intake import CHUNK_BYTES, Intake, NewText
from feedback.reading.streams import EDGE, Running, Stream

LONG_AGO_NS = 1_700_000_000 * 10**9
FIRST = b"PART 118 PLAN 4101\nFEATURE 12 ACTUAL 24.9987\nEND 118\n"
SECOND = b"PART 119 PLAN 4101\nFEATURE 12 ACTUAL 24.9981\nEND 119\n"


class Owner:
    """Takes and stores text as the cell does; its memory outlives the intake."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.streams: dict[str, Stream] = {}
        self.texts: list[NewText] = []
        self.intake = Intake({"M1": (folder,)}, ())

    def restart(self) -> None:
        self.intake = Intake({"M1": (self.folder,)}, self.streams.values())

    def take(self, new: NewText) -> None:
        self.streams[new.after.id] = new.after
        self.texts.append(new)
        self.intake.taken(new, new.after)

    def look(self, chunk_bytes: int = CHUNK_BYTES) -> bytes:
        """Take everything new; its text."""
        before = len(self.texts)
        for new in self.intake.look(chunk_bytes=chunk_bytes):
            self.take(new)
        return b"".join(new.data for new in self.texts[before:])


@pytest.fixture
def owner(tmp_path: Path) -> Owner:
    return Owner(tmp_path)


def test_a_file_that_grows_is_taken_from_where_it_was_left(owner: Owner) -> None:
    """Only what has been added to a log since the last look is new."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST)
    assert owner.look() == FIRST
    with log.open("ab") as file:
        file.write(SECOND)

    assert owner.look() == SECOND
    assert owner.look() == b""
    assert [(new.path, new.start, new.after.id) for new in owner.texts] == [
        ("M1/a.txt", 0, "M1/a.txt"),
        ("M1/a.txt", len(FIRST), "M1/a.txt"),
    ]


def test_a_half_written_line_waits_for_its_end(owner: Owner) -> None:
    """Text after the last line end is not offered, and status can say since when it waits."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST + b"FEATURE 12 ACTUAL 24.")
    os.utime(log, ns=(LONG_AGO_NS, LONG_AGO_NS))

    assert owner.look() == FIRST
    (waiting,) = owner.intake.waiting
    assert (waiting.data, waiting.start) == (b"FEATURE 12 ACTUAL 24.", len(FIRST))
    assert owner.intake.waiting_words() == [
        "M1/a.txt: the last line is half-written since 2023-11-14 22:13:20 UTC; it is read when its line end comes"
    ]

    with log.open("ab") as file:
        file.write(b"9987\n")
    assert owner.look() == b"FEATURE 12 ACTUAL 24.9987\n"
    assert owner.intake.waiting == []


@pytest.mark.parametrize("ending", [b"%", b"\r", b"  ", b"%\r"])
def test_an_end_of_tape_mark_is_not_a_half_written_line(owner: Owner, ending: bytes) -> None:
    """A control that closes its file with a bare % leaves nothing waiting."""
    (owner.folder / "a.txt").write_bytes(FIRST + ending)
    assert owner.look() == FIRST
    assert owner.intake.waiting == []


@pytest.mark.parametrize("length", [1, 200], ids=["short", "longer than both edges"])
def test_a_rotated_log_is_finished_under_its_new_name(owner: Owner, length: int) -> None:
    """After rotation the old file's last lines and the new file's first lines are each taken once."""
    log = owner.folder / "probe.log"
    log.write_bytes(FIRST * length)
    owner.look()
    with log.open("ab") as file:
        file.write(SECOND)
    log.rename(owner.folder / "probe.log.1")
    os.utime(owner.folder / "probe.log.1", ns=(LONG_AGO_NS, LONG_AGO_NS))
    log.write_bytes(b"PART 120 PLAN 4101\n")

    assert owner.look() == SECOND + b"PART 120 PLAN 4101\n"
    assert [new.after.id for new in owner.texts[1:]] == ["M1/probe.log", "M1/probe.log#2"]
    assert [new.path for new in owner.texts[1:]] == ["M1/probe.log.1", "M1/probe.log"]


@pytest.mark.parametrize("length", [1, 200])
@pytest.mark.parametrize("restarted", [False, True])
def test_a_copy_brings_nothing_new(owner: Owner, length: int, restarted: bool) -> None:
    """A log that arrives a second time under another name is not taken again, also after a restart."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST * length)
    owner.look()
    shutil.copy(log, owner.folder / "copy of a.txt")
    if restarted:
        owner.restart()
    assert owner.look() == b""


@pytest.mark.parametrize("length", [1, 60, 2000])
@pytest.mark.parametrize("restarted", [False, True])
def test_an_old_copy_brings_nothing_new(owner: Owner, length: int, restarted: bool) -> None:
    """A copy made before the log grew holds only lines that have been taken."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST * length)
    shutil.copy(log, owner.folder / "old.tmp")
    with log.open("ab") as file:
        file.write(SECOND)
    owner.look()
    if restarted:
        owner.restart()
    (owner.folder / "old.tmp").rename(owner.folder / "old.txt")
    assert owner.look() == b""


def test_an_old_copy_is_known_whenever_it_was_made(owner: Owner) -> None:
    """A log taken in small steps knows every earlier state of itself."""
    lines = [f"FEATURE {n} ACTUAL 1.{n}\n".encode() for n in range(80)]
    log = owner.folder / "a.txt"
    for line in lines:
        with log.open("ab") as file:
            file.write(line)
        owner.look()
    for n in (1, 2, 3, 7, 20, 41, 79):
        (owner.folder / f"copy {n}.txt").write_bytes(b"".join(lines[:n]))
    assert owner.look() == b""


def test_an_old_copy_is_known_although_its_original_has_been_emptied(owner: Owner) -> None:
    """After a restart the whole copy is recognised first, and the old copy by it, whatever their names and ages."""
    log = owner.folder / "b.txt"
    log.write_bytes(FIRST)
    shutil.copy(log, owner.folder / "a.tmp")
    with log.open("ab") as file:
        file.write(SECOND)
    owner.look()
    shutil.copy(log, owner.folder / "c.txt")
    (owner.folder / "a.tmp").rename(owner.folder / "a.txt")
    os.utime(owner.folder / "a.txt", ns=(LONG_AGO_NS, LONG_AGO_NS))
    log.write_bytes(b"")
    owner.restart()
    assert owner.look() == b""


def test_a_file_rewritten_within_its_time_stamp_is_looked_at_again(owner: Owner) -> None:
    """A file system's clock is coarse, so a file changed just now is gone through again although it looks the same."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST)
    stamp = log.stat().st_mtime_ns
    owner.look()
    log.write_bytes(FIRST.replace(b"118", b"999"))
    os.utime(log, ns=(stamp, stamp))
    assert owner.look() == FIRST.replace(b"118", b"999")


def test_a_file_that_cannot_be_opened_is_reported_and_tried_again(
    owner: Owner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A control that keeps its log locked is words for status, and the log is read when it lets go."""
    (owner.folder / "a.txt").write_bytes(FIRST)

    def locked(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", locked)
        assert owner.look() == b""
        assert owner.intake.troubles == ["M1/a.txt: cannot be read: Permission denied; it is tried again"]
    assert owner.look() == FIRST
    assert owner.intake.troubles == []


def test_a_copy_that_grows_is_followed(owner: Owner) -> None:
    """When logging goes on in the copy, only the lines added there are new."""
    (owner.folder / "a.txt").write_bytes(FIRST)
    owner.look()
    (owner.folder / "b.txt").write_bytes(FIRST + SECOND)
    assert owner.look() == SECOND
    assert owner.streams.keys() == {"M1/a.txt"}


def test_a_log_that_is_copied_and_emptied_starts_a_new_stream(owner: Owner) -> None:
    """Copy-and-truncate rotation loses nothing and repeats nothing."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST)
    owner.look()
    shutil.copy(log, owner.folder / "a.1.txt")
    log.write_bytes(b"")
    assert owner.look() == b""
    log.write_bytes(SECOND)
    assert owner.look() == SECOND
    assert owner.streams.keys() == {"M1/a.txt", "M1/a.txt#2"}


@pytest.mark.parametrize(
    "rewritten", [b"PART 7 PLAN 4101\n", FIRST.replace(b"118", b"999"), FIRST.replace(b"118", b"999") * 3]
)
def test_a_rewritten_file_is_a_new_stream(owner: Owner, rewritten: bytes) -> None:
    """Other text under the same name is new text, whether the file became shorter, stayed as long or became longer."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST)
    owner.look()
    log.write_bytes(rewritten)
    assert owner.look() == rewritten
    assert owner.texts[-1].stream is None


def test_a_long_log_rewritten_from_some_line_on_is_a_new_stream(owner: Owner) -> None:
    """A log that begins as before and is as long as before, but ends otherwise, is another text."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST * 200)
    owner.look()
    rewritten = FIRST * 199 + FIRST.replace(b"118", b"999")
    log.write_bytes(rewritten)
    assert owner.look() == rewritten


def test_a_change_in_the_middle_of_a_long_log_is_noticed_after_a_restart(owner: Owner) -> None:
    """When the log has grown and what was taken of it no longer stands there, it is another text."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST * 500)
    owner.look()
    owner.restart()
    text = bytearray(FIRST * 500 + SECOND)
    text[10_000 : 10_000 + len(SECOND)] = SECOND
    log.write_bytes(text)
    assert owner.look() == bytes(text)


def test_two_logs_may_begin_alike(owner: Owner) -> None:
    """The same header in every file does not make them one stream."""
    header = b"part,plan,feature,actual\n"
    (owner.folder / "a.csv").write_bytes(header + b"1,4101,12,25.001\n")
    (owner.folder / "b.csv").write_bytes(header + b"2,4101,12,25.002\n")
    assert len(owner.look()) == 2 * (len(header) + 17)


def test_nothing_offered_is_lost_when_it_could_not_be_stored(owner: Owner) -> None:
    """A text that was offered but not taken is offered again, from the same byte on."""
    (owner.folder / "a.txt").write_bytes(FIRST + b"FEA")
    assert [new.data for new in owner.intake.look()] == [FIRST]
    assert [(new.start, new.data) for new in owner.intake.look()] == [(0, FIRST)]
    assert owner.look() == FIRST
    assert owner.look() == b""


def test_a_long_file_is_offered_in_chunks_of_whole_lines(owner: Owner) -> None:
    """Chunks end at line ends, follow each other without a gap, and only the very last one is marked as such."""
    text = b"".join(f"FEATURE {n} ACTUAL 1.{n}\n".encode() for n in range(3000))
    (owner.folder / "a.txt").write_bytes(text)
    (owner.folder / "b.txt").write_bytes(SECOND)
    owner.look(chunk_bytes=1000)

    chunks = [new for new in owner.texts if new.path == "M1/a.txt"]
    assert b"".join(new.data for new in chunks) == text
    assert all(new.data.endswith(b"\n") and len(new.data) <= 1100 for new in chunks)
    assert [new.start for new in chunks] == [new.after.taken - len(new.data) for new in chunks]
    assert [new.last for new in owner.texts].count(True) == 1
    assert owner.texts[-1].last


def test_an_offer_interrupted_between_chunks_goes_on_where_it_stopped(owner: Owner) -> None:
    """Chunks that were stored before a crash are not offered again."""
    text = b"".join(f"FEATURE {n} ACTUAL 1.{n}\n".encode() for n in range(300))
    (owner.folder / "a.txt").write_bytes(text)
    for new in owner.intake.look(chunk_bytes=1000):
        owner.take(new)
        if len(owner.texts) == 3:
            break
    owner.look(chunk_bytes=1000)
    assert b"".join(new.data for new in owner.texts) == text


def test_each_machine_has_its_oldest_log_read_first(tmp_path: Path) -> None:
    """Logs come in the order in which they were written, machine by machine; each machine has one `last`."""
    for machine in ("M1", "M2"):
        (tmp_path / machine).mkdir()
        for age, name in enumerate(("new.txt", "older.txt", "oldest.txt")):
            log = tmp_path / machine / name
            log.write_bytes(f"PART {machine}{name}\n".encode())
            os.utime(log, ns=(LONG_AGO_NS - age * 10**9,) * 2)
    intake = Intake({machine: (tmp_path / machine,) for machine in ("M1", "M2")}, ())

    offered = [(new.path, new.last) for new in intake.look()]

    assert offered == [
        (f"{machine}/{name}", name == "new.txt")
        for machine in ("M1", "M2")
        for name in ("oldest.txt", "older.txt", "new.txt")
    ]


@pytest.mark.parametrize("name", [".hidden", "a.tmp", "a.TMP", "a.part", "a.txt~"])
def test_files_still_being_made_are_passed_over(owner: Owner, name: str) -> None:
    """Hidden and temporary names are not logs yet."""
    (owner.folder / name).write_bytes(FIRST)
    assert owner.look() == b""


def test_packed_logs_are_reported_and_not_read(owner: Owner) -> None:
    """A compressed log cannot be understood; somebody should know that it lies there."""
    (owner.folder / "a.txt.gz").write_bytes(b"\x1f\x8b")
    assert owner.look() == b""
    assert owner.intake.troubles == [
        "M1/a.txt.gz: packed files are not read; unpack it if it holds lines not taken yet"
    ]


def test_logs_in_folders_below_are_read(owner: Owner) -> None:
    """A control that keeps a folder per day is read as well."""
    (owner.folder / "2026" / "11").mkdir(parents=True)
    (owner.folder / "2026" / "11" / "25.txt").write_bytes(FIRST)
    assert owner.look() == FIRST
    assert owner.texts[0].after.id == "M1/2026/11/25.txt"


def test_a_share_that_is_away_is_reported_and_tried_again(tmp_path: Path) -> None:
    """An unreachable folder is words for status, never an error, and everything is there when it comes back."""
    owner = Owner(tmp_path / "share")
    assert owner.look() == b""
    assert owner.intake.troubles == [
        f"{tmp_path / 'share'}: cannot be read: No such file or directory; it is tried again"
    ]

    (tmp_path / "share").mkdir()
    (tmp_path / "share" / "a.txt").write_bytes(FIRST)
    assert owner.look() == FIRST
    assert owner.intake.troubles == []

    (tmp_path / "share").rename(tmp_path / "away")
    assert owner.look() == b""
    (tmp_path / "away").rename(tmp_path / "share")
    assert owner.look() == b""


def test_a_file_without_line_ends_does_not_fill_the_memory(owner: Owner, monkeypatch: pytest.MonkeyPatch) -> None:
    """Something that is no log at all is reported once its first line is absurdly long."""
    monkeypatch.setattr("feedback.intake.LONGEST_UNFINISHED", 1 << 20)
    (owner.folder / "image.bin").write_bytes(b"x" * (3 << 20))
    assert owner.look() == b""
    assert owner.intake.troubles == ["M1/image.bin: no line end in 1 MiB; wanted log text"]


@pytest.mark.parametrize("whole", [FIRST, b""], ids=["after whole lines", "alone in its file"])
def test_a_half_written_line_left_behind_is_given_up_with_its_text(owner: Owner, whole: bytes) -> None:
    """When the file is gone, what was half-written in it is offered once, to be kept as unreadable."""
    log = owner.folder / "a.txt"
    log.write_bytes(whole + b"FEATURE 12 ACT")
    owner.look()
    log.write_bytes(SECOND)

    assert owner.look() == SECOND
    assert owner.look() == b"FEATURE 12 ACT"
    closing = owner.texts[-1]
    assert closing.closes
    assert closing.start == len(whole)
    assert closing.after.taken == len(whole)
    assert closing.after.id == ("M1/a.txt" if whole else "M1/a.txt#2")
    assert owner.look() == b""


def test_a_half_written_line_goes_with_its_deleted_file(owner: Owner) -> None:
    """When the file has been deleted, its half-written line is offered once after a second look has not found it."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST + b"FEATURE 12 ACT")
    owner.look()
    log.unlink()
    assert [owner.look() for _ in range(3)] == [b"", b"FEATURE 12 ACT", b""]
    assert owner.texts[-1].closes


def test_a_half_written_line_completed_in_a_copy_is_not_given_up(owner: Owner) -> None:
    """When logging went on in a copy, the line was completed there."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST + b"FEATURE 12 ACT")
    owner.look()
    log.rename(owner.folder / "b.txt")
    with (owner.folder / "b.txt").open("ab") as file:
        file.write(b"UAL 1\n")
    assert [owner.look() for _ in range(3)] == [b"FEATURE 12 ACTUAL 1\n", b"", b""]


def test_a_half_written_line_on_a_share_that_is_away_is_not_given_up(owner: Owner) -> None:
    """What cannot be seen may still be there."""
    (owner.folder / "a.txt").write_bytes(FIRST + b"FEATURE 12 ACT")
    owner.look()
    owner.folder.rename(owner.folder.with_name("away"))
    assert [owner.look() for _ in range(3)] == [b"", b"", b""]
    owner.folder.with_name("away").rename(owner.folder)
    assert [waiting.data for waiting in owner.intake.waiting] == [b"FEATURE 12 ACT"]


def test_a_file_that_is_gone_when_it_is_opened_is_left_to_the_next_look(
    owner: Owner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rename between the listing of the folder and the opening of the file is no trouble."""
    (owner.folder / "a.txt").write_bytes(FIRST)

    def gone(*_: object) -> None:
        raise FileNotFoundError(2, "No such file or directory")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", gone)
        assert owner.look() == b""
        assert owner.intake.troubles == []
    assert owner.look() == FIRST


def test_long_logs_that_begin_alike_are_told_apart_by_their_ends(owner: Owner) -> None:
    """Two files with the same first 4096 bytes are two streams, and each keeps its own place."""
    first, second = FIRST * 200 + SECOND, FIRST * 200 + SECOND.replace(b"119", b"777")
    (owner.folder / "a.txt").write_bytes(first)
    (owner.folder / "b.txt").write_bytes(second)
    assert sorted(new.data for new in owner.intake.look()) == sorted([first, second])


def test_the_look_says_how_much_is_ahead(owner: Owner) -> None:
    """A backlog can be shown as it shrinks."""
    for n in range(4):
        (owner.folder / f"{n}.txt").write_bytes(FIRST + str(n).encode() + b"\n")
    ahead = []
    for new in owner.intake.look():
        ahead.append(owner.intake.bytes_ahead)
        owner.take(new)
    assert ahead == [3 * (len(FIRST) + 2), 2 * (len(FIRST) + 2), len(FIRST) + 2, 0]
    assert owner.intake.bytes_ahead == 0


def test_a_half_written_line_that_moved_with_its_file_goes_on_waiting(owner: Owner) -> None:
    """Rotation does not cut a line short: it is completed under the file's new name."""
    log = owner.folder / "a.txt"
    log.write_bytes(FIRST + b"FEATURE 12 ACT")
    owner.look()
    log.rename(owner.folder / "a.1.txt")
    log.write_bytes(SECOND)
    for _ in range(3):
        owner.look()
    with (owner.folder / "a.1.txt").open("ab") as file:
        file.write(b"UAL 1\n")

    assert owner.look() == b"FEATURE 12 ACTUAL 1\n"
    assert not any(new.closes for new in owner.texts)


def test_hints_spare_the_search_and_change_nothing_else(owner: Owner) -> None:
    """Only the files named in a hint are gone through; names that are no logs of a machine are passed over."""
    first, second = owner.folder / "a.txt", owner.folder / "b.txt"
    first.write_bytes(FIRST)
    second.write_bytes(SECOND)
    hints = [second, owner.folder / "gone.txt", owner.folder / ".hidden", owner.folder.parent / "other.txt"]
    assert [new.path for new in owner.intake.look(hints)] == ["M1/b.txt"]


def test_fed_text_is_one_stream_without_a_file(owner: Owner) -> None:
    """Text that comes without a file is taken in whole lines; a half-written one waits for the next feeding."""
    taken = []
    for data in (FIRST[:30], FIRST[30:], SECOND):
        for new in owner.intake.feed("M1", data):
            owner.take(new)
            taken.append((new.start, new.data, new.stream is None, new.last))
    cut = FIRST.find(b"\n") + 1
    assert taken == [(0, FIRST[:cut], True, True), (cut, FIRST[cut:], False, True), (len(FIRST), SECOND, False, True)]

    running = Running()
    running.take(FIRST + SECOND)
    assert owner.streams == {"M1/(fed)": running.stream("M1/(fed)", "M1", "M1/(fed)")}


def test_fed_text_that_could_not_be_stored_can_be_fed_again(owner: Owner) -> None:
    """A failed store leaves the feeding where it was."""
    next(iter(owner.intake.feed("M1", FIRST)))
    assert [(new.start, new.data) for new in owner.intake.feed("M1", FIRST)] == [(0, FIRST)]


def test_after_a_restart_fed_text_is_another_stream(owner: Owner) -> None:
    """Without a file there is nothing to compare with, so a new run begins anew."""
    for new in owner.intake.feed("M1", FIRST):
        owner.take(new)
    owner.restart()
    assert [new.after.id for new in owner.intake.feed("M1", FIRST)] == ["M1/(fed)#2"]


def test_thousands_of_unchanged_files_are_passed_in_a_moment(owner: Owner) -> None:
    """Looking again costs next to nothing while nothing has changed."""
    for n in range(2_000):
        log = owner.folder / f"{n}.txt"
        log.write_bytes(f"PART {n} PLAN 4101\n".encode())
        os.utime(log, ns=(LONG_AGO_NS, LONG_AGO_NS))
    owner.look()
    assert len(owner.texts) == 2_000

    spent = []
    for _ in range(5):
        started = time.process_time()
        assert owner.look() == b""
        spent.append(time.process_time() - started)
    assert min(spent) < 0.05  # 0.01 s on an idle machine; the bound only has to catch reading every file again


class LogFolder(RuleBasedStateMachine):
    """Controls, people and other programs do what they like with log files; every line is still taken exactly once."""

    files = Bundle("files")

    @initialize()
    def open_shop(self) -> None:
        self.root = _new_folder()
        self.folder = self.root / "logs"
        self.folder.mkdir()
        self.owner = Owner(self.folder)
        self.lines = 0
        self.names = 0
        self.half: dict[Path, bytes] = {}
        self.written: set[bytes] = set()

    def teardown(self) -> None:
        shutil.rmtree(self.root, ignore_errors=True)

    def line(self, long: bool) -> bytes:
        self.lines += 1
        return f"FEATURE {self.lines} ACTUAL {self.lines}{' ' * (5000 if long else 0)}\n".encode()

    def name(self) -> Path:
        self.names += 1
        return self.folder / f"log {self.names}.txt"

    def append(self, path: Path, data: bytes) -> None:
        """Write to the end of a file, remembering which lines have been completed."""
        if not path.exists():
            return
        with path.open("ab") as file:
            file.write(data)
        whole, _, self.half[path] = (self.half.get(path, b"") + data).rpartition(b"\n")
        self.written |= {line + b"\n" for line in whole.split(b"\n") if line}

    @rule(target=files, lines=st.integers(0, 3), long=st.booleans())
    def new_file(self, lines: int, long: bool) -> Path:
        path = self.name()
        path.touch()
        self.append(path, b"".join(self.line(long) for _ in range(lines)))
        return path

    @rule(path=files, lines=st.integers(1, 3), long=st.booleans())
    def grow(self, path: Path, lines: int, long: bool) -> None:
        self.append(path, b"".join(self.line(long) for _ in range(lines)))

    @rule(path=files, share=st.floats(0.1, 0.9))
    def grow_by_half_a_line(self, path: Path, share: float) -> None:
        whole = self.line(False)
        cut = max(1, int(len(whole) * share))
        self.append(path, whole[:cut])

    @rule(target=files, path=consumes(files))
    def rename(self, path: Path) -> Path:
        return self.move(path, self.name())

    def move(self, path: Path, to: Path) -> Path:
        if path.exists():
            path.rename(to)
            self.half[to] = self.half.pop(path, b"")
        return to

    @rule(target=files, path=files)
    def rotate(self, path: Path) -> Path:
        rotated = self.move(path, self.name())
        path.touch()
        self.half[path] = b""
        return rotated

    @rule(path=files)
    def copy_for_reading(self, path: Path) -> None:
        """A copy that nobody writes to."""
        if path.exists():
            shutil.copy2(path, self.name())

    @rule(path=files)
    def copy_and_truncate(self, path: Path) -> None:
        if path.exists():
            shutil.copy2(path, self.name())
            path.write_bytes(b"")
            self.half[path] = b""

    @rule(chunk_bytes=st.sampled_from([10, 100, CHUNK_BYTES]))
    def look(self, chunk_bytes: int) -> None:
        self.owner.look(chunk_bytes)

    @rule(path=files)
    def look_at_a_hint(self, path: Path) -> None:
        for new in self.owner.intake.look([path]):
            self.owner.take(new)

    @rule()
    def look_and_fail_to_store(self) -> None:
        for number, new in enumerate(self.owner.intake.look()):
            if number % 2:
                break
            self.owner.take(new)

    @rule()
    def restart(self) -> None:
        self.owner.restart()

    @rule()
    def away_and_back(self) -> None:
        self.folder.rename(self.root / "away")
        self.owner.look()
        (self.root / "away").rename(self.folder)

    def taken_lines(self) -> Counter[bytes]:
        texts = [new.data for new in self.owner.texts if not new.closes]
        return Counter(b"".join(texts).splitlines(keepends=True))

    @invariant()
    def no_line_twice_and_none_made_up(self) -> None:
        taken = self.taken_lines()
        assert not [line for line, times in taken.items() if times > 1]
        assert taken.keys() <= self.written

    @rule()
    def every_line_once(self) -> None:
        for _ in range(2):
            self.owner.look()
        assert self.taken_lines() == Counter(self.written)


_new_folder: Callable[[], Path]


@pytest.fixture(autouse=True)
def _folders(tmp_path_factory: pytest.TempPathFactory) -> None:
    global _new_folder
    _new_folder = lambda: tmp_path_factory.mktemp("logs")  # noqa: E731


LogFolder.TestCase.settings = settings(max_examples=40, stateful_step_count=25)


class TestLogFolder(LogFolder.TestCase):
    """The log folder under every mix of events."""


def test_streams_longer_than_an_edge_are_told_apart_by_all_their_bytes() -> None:
    """Head, tail and digest are those of the bytes taken."""
    import hashlib

    text = os.urandom(3 * EDGE)
    running = Running()
    for start in range(0, len(text), 1000):
        running.take(text[start : start + 1000])
    stream = running.stream("M1/a", "M1", "M1/a")
    assert stream.head == hashlib.sha256(text[:EDGE]).hexdigest()
    assert stream.tail == hashlib.sha256(text[-EDGE:]).hexdigest()
    assert stream.digest == hashlib.sha256(text).hexdigest()
    assert stream.taken == len(text)
