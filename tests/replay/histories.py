"""Shifts in which something stands in the way of a correction for a while: told live, part by part."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

import feedback
from tests.stories.shop import SimulatedMachine
from tests.stories.story import RADIUS, Story, machine
from tests.stories.test_fitness import ring, shop, when, worn
from tests.stories.test_missed import stopped
from tests.stories.test_setter import Setter, broken, look, rough

Told = Callable[[Path], Story]


def tell(folder: Path) -> Callable[..., Story]:
    """Begins the one story of `folder`."""

    def begin(*machines: SimulatedMachine, **more: str) -> Story:
        return Story(folder, *machines, **more)  # type: ignore[arg-type]

    return begin


def released(story: Story) -> Story:
    story.cell.release(f"M1 {RADIUS}", by="pe", why="looked at it", now=story.now())
    return story


def broken_and_replaced(folder: Path) -> Story:
    """The tool setter finds tool 5 broken; two parts later there is a new one."""
    story = broken(tell(folder)).cut(2)
    story.machines["M1"].new_tool(5, is_recorded=False)
    return look(story.deliver("NEWTOOL 5\n")).cut(14, wear_um=0.3)


def not_broken_after_all(folder: Path) -> Story:
    """It was a chip on the setter, and a person says so."""
    story = broken(tell(folder))
    story.machines["M1"].wear(5, radius_um=-400.0)
    return released(look(story).cut(5, wear_um=0.3)).cut(12, wear_um=0.3)


def bores_missing(folder: Path) -> Story:
    """The probe finds nothing of what tool 5 cuts; four parts later a person says why."""
    return released(stopped(tell(folder)).cut(8, wear_um=0.3)).cut(10, wear_um=0.3)


def wrong_way(folder: Path) -> Story:
    """A hand change works the wrong way; then the tool breaks, is replaced, and the register stays locked a while."""
    story = tell(folder)(machine(acting={RADIUS: -1.0})).cut(14)
    story.machines["M1"].enter_mm(RADIUS, -0.003)
    look(story.cut(5))
    story.machines["M1"].wear(5, radius_um=400.0)
    look(story).cut(2)
    story.machines["M1"].new_tool(5, is_recorded=False)
    released(story.write("NEWTOOL 5\n").cut(10, wear_um=0.3))
    return story.cut(12, wear_um=0.3)


def failed_then_passed(folder: Path) -> Story:
    """The ring fails at noon: the morning is in doubt, and so is what is cut until it passes again."""
    story = ring(ring(worn(tell(folder)), 5.8).cut(4, wear_um=0.2), 0.2)
    return story.cut(14, wear_um=0.3)


def failed_then_lifted(folder: Path) -> Story:
    """It was a chip on the ring: a person answers for the morning."""
    story = ring(worn(tell(folder)), 5.8).cut(4, wear_um=0.2)
    story.cell.release_probe("M1", 1, by="pe", why="chip on the ring", now=story.now())
    return story.cut(6, wear_um=0.3)


def both_bores_at_once(folder: Path) -> Story:
    """Two bores read 6 um less for some parts and a check says that the probe does; they are left out again."""
    story = ring(ring(shop(tell(folder)), 0.4).cut(12), 0.1)
    for feature in ("12", "13"):
        story.machines["M1"].reprogram(feature, -6.0)
    return ring(story.cut(5), -6.0).cut(6, wear_um=0.3)


def failed_late(folder: Path) -> Story:
    """The line of a failed check arrives five parts late."""
    story = ring(shop(tell(folder)), 0.4).cut(14, wear_um=0.3)
    line = f"ARTEFACT RING1 ACTUAL 40.0066 TEMP 20.0 {when(story)}\n"
    return story.cut(5, wear_um=0.3).deliver(line, file="late.txt").cut(4, wear_um=0.3)


def overdue(folder: Path) -> Story:
    """Ten parts after the check nothing is corrected until the next one."""
    story = ring(shop(tell(folder), due="10 parts"), 0.4).cut(14, wear_um=0.3)
    return ring(story, 0.5).cut(4, wear_um=0.3)


def required(folder: Path) -> Story:
    """The limits want a passed check before anything is corrected."""
    story = shop(tell(folder), limits='[default]\ncheck = "required"\n').cut(16, wear_um=0.25)
    return ring(story, 0.4).cut(5, wear_um=0.25)


def with_setter(folder: Path) -> Story:
    """Parts and tool setter in one estimate, and a correction that was entered."""
    setter = Setter(rough(tell(folder)))
    setter.cut(45, wear_um=0.3).accept().enter()
    return setter.cut(12, wear_um=0.3)


def setter_drifts(folder: Path) -> Story:
    """The tool wears and the setter says that it does not."""
    return Setter(rough(tell(folder)), drift_um=1.0).cut(60, wear_um=1.0)


def everything(folder: Path) -> Story:
    """Rejected, restarted, changed by hand, late, a new tool, a backlog."""
    story = tell(folder)().cut(16, wear_um=0.3).reject().reopen().cut(4, wear_um=0.3)
    story.machines["M1"].enter_mm(RADIUS, -0.002)
    story.cut(3, wear_um=0.3)
    late = story.machines["M1"].cut()
    story.cut(5, wear_um=0.3).deliver(late, file="late.txt").cut(4, wear_um=0.3).reopen()
    story.machines["M1"].new_tool(5, radius_um=4.0)
    for _ in range(3):
        story.write(story.machines["M1"].cut())
    return story.process().cut(6, wear_um=0.3)


HISTORIES: Final[Mapping[str, Told]] = {
    one.__name__.replace("_", "-"): one
    for one in (
        broken_and_replaced,
        not_broken_after_all,
        bores_missing,
        wrong_way,
        failed_then_passed,
        failed_then_lifted,
        both_bores_at_once,
        failed_late,
        overdue,
        required,
        with_setter,
        setter_drifts,
        everything,
    )
}


def deliver_by_parts(folder: Path) -> None:
    """Take the log files of a cell folder in `pairs` as the control wrote them: part by part."""
    logs = [(path, path.read_bytes()) for path in sorted((folder / "logs").glob("*/*"))]
    for path, _ in logs:
        path.unlink()
    with feedback.open_cell(folder) as cell:
        for path, text in logs:
            for piece in text.split(b"\nEND"):
                with path.open("ab") as log:
                    log.write(piece if text.startswith(piece) else b"\nEND" + piece)
                cell.process()
