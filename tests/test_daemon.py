"""`trueup watch` as a real process beside a working machine: files appear, grow, vanish; people answer; power fails."""

import json
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.stories.parts import cell_texts
from tests.stories.shop import SimulatedMachine
from tests.stories.story import RADIUS, machine

PROMPT_S = 5.0  # what a person at the machine is promised
START = datetime(2025, 3, 3, 6, 4, 0)  # noqa: DTZ001 - a control's clock shows local time and no zone
LIMITS = '[default]\nband = "{band} %"\n'


class Watch:
    """One running `trueup watch --json`; its answers line by line, its messages as text."""

    def __init__(self, folder: Path) -> None:
        command = [sys.executable, "-m", "feedback", "--cell", str(folder), "watch", "--json", "--rescan", "1"]
        self._running = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8"
        )
        self._answers: queue.Queue[dict[str, Any]] = queue.Queue()
        self.messages = ""
        self._listeners = [threading.Thread(target=self._hear), threading.Thread(target=self._read)]
        for listener in self._listeners:
            listener.start()
        self.says("watching M1", within_s=30)

    def _hear(self) -> None:
        assert self._running.stdout is not None
        for line in self._running.stdout:
            self._answers.put(json.loads(line))

    def _read(self) -> None:
        assert self._running.stderr is not None
        for line in self._running.stderr:
            self.messages += line

    def answer(self, is_it: Callable[[dict[str, Any]], bool], within_s: float = PROMPT_S) -> dict[str, Any]:
        """The first answer for tool 5 radius that `is_it`, which must come in time."""
        until = time.monotonic() + within_s
        seen: list[object] = []
        while (left := until - time.monotonic()) > 0:
            try:
                decisions = self._answers.get(timeout=left)["machines"][0]["decisions"]
            except queue.Empty:
                break
            found: dict[str, Any] = next((entry for entry in decisions if entry["register"] == RADIUS), {})
            if found and is_it(found):
                return found
            seen.append((found.get("part"), found.get("answer")))
        pytest.fail(f"no such answer within {within_s} s; saw {seen}; messages: {self.messages}")

    def part(self, number: int, within_s: float = PROMPT_S) -> dict[str, Any]:
        """The answer after this part."""
        return self.answer(lambda found: found["part"] == str(number), within_s)

    def says(self, words: str, within_s: float = PROMPT_S, times: int = 1) -> None:
        """These words come on stderr in time."""
        until = time.monotonic() + within_s
        while self.messages.count(words) < times:
            assert time.monotonic() < until, f"{words!r} not said within {within_s} s: {self.messages}"
            assert self._running.poll() is None, self.messages
            time.sleep(0.05)

    def end(self, by: signal.Signals = signal.SIGTERM, within_s: float = 5.0) -> int:
        """Stop it; the exit code comes out."""
        self._running.send_signal(by)
        try:
            code = self._running.wait(timeout=within_s)
        finally:
            self.kill()
        return code

    def kill(self) -> None:
        """Make sure that nothing of it is left."""
        if self._running.poll() is None:
            self._running.kill()
        self._running.wait()
        for listener in self._listeners:
            listener.join()
        for stream in (self._running.stdout, self._running.stderr):
            assert stream is not None
            stream.close()


def trueup(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Another trueup beside the watch."""
    return subprocess.run(
        [sys.executable, "-m", "feedback", "--cell", str(folder), *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A cell folder without a log."""
    for name, text in cell_texts([machine()]).items():
        (tmp_path / "cell" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "cell" / name).write_text(text, encoding="utf-8")
    logs(tmp_path / "cell").mkdir(parents=True)
    return tmp_path / "cell"


@pytest.fixture
def watching() -> Iterator[Callable[[Path], Watch]]:
    """Begins watches and leaves none behind."""
    begun: list[Watch] = []

    def begin(folder: Path) -> Watch:
        begun.append(Watch(folder))
        return begun[-1]

    yield begin
    for watch in begun:
        watch.kill()


Watching = Callable[[Path], Watch]


def logs(folder: Path) -> Path:
    return folder / "logs" / "M1"


def worn(parts: int, wear_um: float = 0.3) -> tuple[SimulatedMachine, list[str]]:
    """A machine whose tool 5 wears, and the texts of its first parts."""
    made = machine()
    texts = []
    for _ in range(parts):
        made.wear(5, radius_um=wear_um)
        texts.append(made.cut())
    return made, texts


def drop(folder: Path, name: str, text: str) -> None:
    """A control's way of handing over a file: written elsewhere, then renamed into the folder."""
    written = folder / f"{name}.part"
    written.write_text(text)
    written.rename(logs(folder) / name)


def appended(path: Path, text: str) -> None:
    with path.open("a") as log:
        log.write(text)


def test_a_part_dropped_into_the_folder_is_answered_within_5_s(folder: Path, watching: Watching) -> None:
    """The next part's answer is there before the operator has loaded the next blank; SIGTERM ends it cleanly."""
    _, texts = worn(2)
    watch = watching(folder)

    drop(folder, "101.txt", texts[0])
    assert watch.part(101, within_s=20)["answer"] in ("leave", "wait")  # the trend's libraries are loaded now
    drop(folder, "102.txt", texts[1])
    watch.part(102)

    assert watch.end() == 0
    assert "stopped" in watch.messages
    assert "Traceback" not in watch.messages
    assert trueup(folder, "process").returncode in (0, 3)  # the lock is free again


def test_a_file_that_grows_line_by_line_is_answered_at_its_last_line(folder: Path, watching: Watching) -> None:
    """A control that writes while it probes: half a part is no part, its end is taken at once."""
    _, texts = worn(2)
    log = logs(folder) / "shift.txt"
    log.write_text(texts[0])
    watch = watching(folder)
    watch.part(101, within_s=20)

    *lines, end = texts[1].splitlines(keepends=True)
    for line in lines:
        appended(log, line[:7])
        time.sleep(0.02)
        appended(log, line[7:])
    time.sleep(1.5)
    status = json.loads(trueup(folder, "status", "--json").stdout)
    assert {entry["part"] for entry in status["machines"][0]["decisions"]} == {"101"}
    appended(log, end)
    watch.part(102)
    assert watch.end() == 0


def test_a_log_folder_taken_away_and_brought_back_is_watched_again(folder: Path, watching: Watching) -> None:
    """A share that was away, a folder made anew: what is put there afterwards is taken."""
    _, texts = worn(3)
    watch = watching(folder)
    drop(folder, "101.txt", texts[0])
    watch.part(101, within_s=20)

    away = logs(folder).rename(folder / "away")
    time.sleep(2.5)
    assert away.is_dir()
    logs(folder).mkdir()
    drop(folder, "102.txt", texts[1])
    watch.part(102, within_s=10)
    drop(folder, "103.txt", texts[2])
    watch.part(103)
    assert watch.end() == 0
    assert "Traceback" not in watch.messages


def test_a_second_watch_is_refused(folder: Path, watching: Watching) -> None:
    """Two readers would take everything twice; the second says who is there already and ends with 1."""
    watch = watching(folder)

    for command in (("watch", "--rescan", "1"), ("process",)):
        second = trueup(folder, *command)
        assert (second.returncode, second.stdout) == (1, "")
        assert "reader.lock" in second.stderr
        assert "another trueup reads this cell's logs already" in second.stderr
    assert watch.end() == 0
    with_the_first_gone = watching(folder)
    assert with_the_first_gone.end(signal.SIGINT) == 0


def test_an_acceptance_from_elsewhere_is_honoured_with_the_next_part(folder: Path, watching: Watching) -> None:
    """Accepted at the desk, held at the machine: no second step while the first has not been entered, then entered."""
    made, texts = worn(16)
    (logs(folder) / "shift.txt").write_text("".join(texts))
    watch = watching(folder)
    proposal = watch.answer(lambda found: found["answer"] == "correct", within_s=20)["proposal"]

    accepted = trueup(folder, "accept", proposal["id"], "--by", "op1")
    assert (accepted.returncode, accepted.stderr) == (0, "")
    made.wear(5, radius_um=0.3)
    appended(logs(folder) / "shift.txt", made.cut())
    held = watch.part(117)
    verdicts = {reason["rule"]: reason["verdict"] for reason in held["reasons"]}
    assert (held["answer"], verdicts["pending"]) == ("hold", "hold")
    assert held["proposal"]["status"] == "accepted"

    made.enter_mm(RADIUS, proposal["new_mm"])
    appended(logs(folder) / "shift.txt", made.cut())
    assert watch.part(118)["proposal"]["status"] == "entered"
    assert watch.end() == 0


def test_a_faulty_edit_of_the_limits_leaves_the_old_ones_in_force(folder: Path, watching: Watching) -> None:
    """A slip in limits.toml is said once with its line, parts are answered on, and the mended file is taken up."""
    made, texts = worn(12)
    limits = folder / "limits.toml"
    limits.write_text(LIMITS.format(band=90))
    (logs(folder) / "shift.txt").write_text("".join(texts))
    watch = watching(folder)
    assert watch.part(112, within_s=20)["answer"] == "leave"

    limits.write_text("[default]\nband = 30\n")
    watch.says(f"{limits}:2:")
    watch.says("the last good configuration stays in force")
    appended(logs(folder) / "shift.txt", made.cut())
    assert watch.part(113)["answer"] == "leave"
    time.sleep(2.5)
    assert watch.messages.count(f"{limits}:2:") == 1

    limits.write_text(LIMITS.format(band=20))
    watch.says("configuration read again")
    appended(logs(folder) / "shift.txt", made.cut())
    assert watch.part(114, within_s=10)["answer"] == "correct"
    assert watch.end() == 0


def test_after_a_power_cut_nothing_is_taken_twice(folder: Path, watching: Watching) -> None:
    """kill -9 in the middle of the work and a new start: every part once, the same answer, an intact history."""
    made = machine(start=START + timedelta(days=1))
    texts = []
    for _ in range(40):
        made.wear(5, radius_um=0.1)
        texts.append(made.cut())
    log = logs(folder) / "shift.txt"
    log.write_text("".join(texts[:20]))
    watch = watching(folder)
    watch.part(120, within_s=20)
    appended(log, "".join(texts[20:39]) + texts[39][:50])
    time.sleep(0.05)
    assert watch.end(signal.SIGKILL) == -signal.SIGKILL

    again = watching(folder)
    appended(log, texts[39][50:])
    again.part(140, within_s=20)
    assert again.end() == 0

    import feedback

    with feedback.open_cell(folder) as cell:
        readings = cell.measurements("M1")
    assert not readings.duplicated(["part", "feature"]).any()
    assert readings["part"].nunique() == 40
    verified = trueup(folder, "verify", "--deep")
    assert verified.returncode == 0, verified.stdout
