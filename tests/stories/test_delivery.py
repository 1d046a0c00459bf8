"""However the text arrives - late, twice, cut in half, through restarts - the same parts end in the same answer."""

from pathlib import Path
from typing import Any

import pytest

from tests.stories.conftest import Tell
from tests.stories.parts import COVER_PLATE
from tests.stories.shop import SimulatedMachine
from tests.stories.story import RADIUS, Story, machine


def texts(parts: int = 24, wear_um: float = 0.25) -> list[str]:
    """The print of so many parts under steady wear."""
    cutting = machine()
    printed = []
    for _ in range(parts):
        cutting.wear(5, radius_um=wear_um)
        printed.append(cutting.cut())
    return printed


def ending(story: Story) -> list[tuple[Any, ...]]:
    """What an ending is compared by: every register's answer and estimate, and the step proposed."""
    return [
        (
            entry["register"],
            entry["answer"],
            entry["cause"],
            entry["part"],
            pytest.approx(entry["error_mm"], abs=1e-9),
            entry["now_mm"],
        )
        for entry in sorted(story.decisions(), key=lambda entry: str(entry["register"]))
    ]


@pytest.fixture
def later(tell: Tell) -> Tell:
    """Begins a story at noon of the day on which the parts were cut."""

    def begin(*machines: SimulatedMachine, **more: Any) -> Story:
        story = tell(*machines, **more)
        for found in story.machines.values():
            found.clock = found.clock.replace(hour=12)
        return story

    return begin


@pytest.fixture
def plain(later: Tell) -> Story:
    """The parts as one file that is read once."""
    return later().deliver("".join(texts()))


def test_one_file_ends_in_a_proposal(plain: Story) -> None:
    """A day's log read at once ends in one open proposal, for its newest part."""
    assert plain.open_proposal()["part"] == "124"
    assert len(plain.events("proposed")) == 1


def test_part_by_part_ends_alike(later: Tell, plain: Story) -> None:
    """A log read part by part as it grows decides as the same log read whole."""
    story = later()
    for text in texts():
        story.deliver(text)
    assert ending(story) == ending(plain)


@pytest.mark.parametrize("size", [7, 100, 4096])
def test_stream_ends_alike(later: Tell, plain: Story, size: int) -> None:
    """Text fed without a file, in pieces that cut lines anywhere, decides as the same log read whole."""
    story, text = later(by_feed=True), "".join(texts())
    if size == 7:  # every piece is a transaction on disk: the last two parts show as much as all
        story.deliver("".join(texts()[:-2]))
        text = "".join(texts()[-2:])
    for start in range(0, len(text), size):
        story.deliver(text[start : start + size])
    assert ending(story) == ending(plain)


def test_newest_file_first(later: Tell, plain: Story) -> None:
    """Files copied from the control newest first are put in the order of their parts."""
    story = later()
    for number, text in reversed(list(enumerate(texts()))):
        story.deliver(text, file=f"part{number:03}.txt")
    assert ending(story) == ending(plain)


def test_restart_between_two_lines_of_a_part(later: Tell, plain: Story) -> None:
    """Stopped and started again in the middle of a part, the tool loses no reading and takes none twice."""
    story, printed = later(), "".join(texts())
    middle = printed.index("FEATURE 13", len(printed) // 2)
    story.deliver(printed[:middle], file="log.txt")
    story.reopen().deliver(printed[middle:], file="log.txt")
    assert ending(story) == ending(plain)
    assert len(story.cell.measurements()) == len(plain.cell.measurements())


def test_restart_after_every_part(later: Tell, plain: Story) -> None:
    """A tool that is started for each part anew decides as one that never stopped."""
    story = later()
    for text in texts():
        story.reopen().deliver(text, file="log.txt")
    assert ending(story) == ending(plain)


def test_half_written_line_is_not_a_reading(tell: Tell) -> None:
    """A line without its end is not read; when the rest arrives, it is read once and whole."""
    story = tell()
    story.deliver("PART 1 PLAN 4101 DATE 20250303 TIME 060000\nFEATURE 12 ACTUAL 25.01", file="log.txt")
    assert len(story.cell.measurements()) == 0
    story.deliver("03\nEND 1\n", file="log.txt")
    assert list(story.cell.measurements()["actual"]) == ["25.0103"]


def test_copy_under_another_name(later: Tell, plain: Story) -> None:
    """The same file under another name brings nothing new."""
    before, measured = ending(plain), len(plain.cell.measurements())
    copy = plain.file(name="copy of the log.txt")
    copy.write_bytes(plain.file().read_bytes())
    plain.process()
    assert len(plain.cell.measurements()) == measured
    assert ending(plain) == before


def test_renamed_file_goes_on(later: Tell, plain: Story) -> None:
    """A file that is renamed and grows further is the same file."""
    story, printed = later(), texts()
    story.deliver("".join(printed[:12]), file="today.txt")
    story.file(name="today.txt").rename(story.file(name="20250303.txt"))
    story.deliver("".join(printed[12:]), file="20250303.txt")
    assert ending(story) == ending(plain)


def test_rotated_file(later: Tell, plain: Story) -> None:
    """A control that puts its full log away and begins a new one of the same name loses nothing."""
    story, printed = later(), texts()
    story.deliver("".join(printed[:12]), file="probe.log")
    story.file(name="probe.log").rename(story.file(name="probe.log.1"))
    story.deliver("".join(printed[12:]), file="probe.log")
    assert ending(story) == ending(plain)


def test_part_printed_twice_counts_once(later: Tell, plain: Story) -> None:
    """A part that the control prints again, into another file, is not new evidence."""
    before = {entry["register"]: entry["error_mm"] for entry in plain.decisions()}
    plain.deliver("(second print)\n" + texts()[-1], file="again.txt")
    after = {entry["register"]: entry["error_mm"] for entry in plain.decisions()}
    assert after == pytest.approx(before, abs=1e-9)
    assert plain.cell.measurements()["doubts"].notna().sum() == 4


def test_two_machines_do_not_mix(tell: Tell, plain: Story) -> None:
    """A worn cutter on one machine says nothing about the cutter of the same number on the other."""
    story = tell(machine("M1"), machine("M2"))
    for _ in range(24):
        story.cut(wear_um=0.25, on="M1").cut(on="M2")
    assert story.answer(RADIUS, on="M1") == "correct"
    assert story.answer(RADIUS, on="M2") == "leave"
    assert ending(story) == ending(plain)


def test_two_plans_in_two_units(tell: Tell) -> None:
    """A machine in inches and one in millimetres live in one cell, each in its own unit."""
    inch = machine("M2", plan=COVER_PLATE, unit="inch", tool_radius="diameter")
    story = tell(machine("M1"), inch)
    story.cut(parts=8).cut(parts=8, on="M2")
    assert {entry["answer"] for entry in [*story.decisions("M1"), *story.decisions("M2")]} == {"leave"}


def test_logs_are_never_touched(plain: Story) -> None:
    """The tool reads the log folder and leaves every file as it was."""
    logs = {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in _files(plain.folder / "logs")}
    plain.process()
    assert {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in _files(plain.folder / "logs")} == logs


def _files(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]
