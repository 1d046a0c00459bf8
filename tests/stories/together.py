"""Situations that only all readings of a machine together can tell apart; situations.py has those of one register."""

import math
from collections.abc import Callable, Mapping
from typing import Final

from tests.stories.parts import GEAR_COVER
from tests.stories.shop import SimulatedMachine
from tests.stories.situations import Run

_GOOD_PARTS: Final = 24


def _gear_covers(seed: str, first_part: int) -> Run:
    """A machine on which all has gone well for a while."""
    return Run(SimulatedMachine("M1", GEAR_COVER, seed=seed, first_part=first_part)).cut(_GOOD_PARTS)


def warm_up() -> Run:
    """The machine grows by 30 um along Z and a third of that along Y, two thirds of it in twelve parts."""
    run = _gear_covers("warm-up", 1201)
    grown_um = 0.0
    for part in range(1, 23):
        more_um = 30.0 * (1 - math.exp(-part / 12)) - grown_um
        grown_um += more_um
        run.machine.move_part("Z", more_um)
        run.machine.move_part("Y", more_um / 3)
        run.cut(1)
    return run


def probe_step() -> Run:
    """After part 1324 somebody changes the stylus for one 8 um smaller and does not calibrate."""
    run = _gear_covers("probe-step", 1301)
    run.machine.ball_lost_um = 4.0
    return run.cut(6)


def probe_drift() -> Run:
    """From part 1425 on the stylus works loose: the ball is believed 0.35 um too small with every part."""
    run = _gear_covers("probe-drift", 1401)
    for _ in range(24):
        run.machine.ball_lost_um += 0.35
        run.cut(1)
    return run


def part_turned() -> Run:
    """After part 1524 a chip lies under one jaw: parts lie turned, one point of each pad in front, the other behind."""
    run = _gear_covers("part-turned", 1501)
    for point, um in (("81", 14.0), ("82", -14.0), ("83", -10.0), ("84", 10.0)):
        run.machine.reprogram(point, um)
    return run.cut(5)


def broken_tool() -> Run:
    """A corner of tool 6 breaks away after part 1624: 90 um on its radius, far from what any new edge differs by."""
    run = _gear_covers("broken-tool", 1601)
    run.machine.wear(6, radius_um=90.0)
    return run.cut(3)


def unrecorded_edge() -> Run:
    """After part 1724 the insert of tool 5 is turned; the new edge stands 7 um further out and nobody records it."""
    run = _gear_covers("unrecorded-edge", 1701)
    run.machine.wear(5, radius_um=-7.0)
    return run.cut(6)


def two_tools() -> Run:
    """After part 1824 tools 5 and 6 cut 7 um bigger and 6 um smaller than before, both at once; nothing is recorded."""
    run = _gear_covers("two-tools", 1801)
    run.machine.wear(5, radius_um=-7.0)
    run.machine.wear(6, radius_um=6.0)
    return run.cut(6)


TOGETHER: Final[Mapping[str, Callable[[], Run]]] = {
    "warm-up": warm_up,
    "probe-step": probe_step,
    "probe-drift": probe_drift,
    "part-turned": part_turned,
    "broken-tool": broken_tool,
    "unrecorded-edge": unrecorded_edge,
    "two-tools": two_tools,
}
