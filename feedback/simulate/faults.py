"""One fault at a time on the reference plan: what the naming of causes is judged by.

A size is what the fault puts on the readings it moves most, in multiples of the scatter of one reading.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

from feedback.simulate.happenings import (
    Chip,
    FasterWear,
    Happening,
    NewEdge,
    PartMoved,
    ProbeDrift,
    ProbeStep,
    Reprogrammed,
    ToolBroken,
)
from feedback.simulate.reference import REFERENCE_PLAN, SIGMA_UM
from feedback.simulate.scenario import Scenario, Setup
from feedback.simulate.warming import Growth
from rules.evidence import Cause

FAULT_AT: Final = 40  # parts before the fault: enough to know the machine
DRIFT_PARTS: Final = 20  # a drift reaches its size after so many parts
MIDDLE_MM: Final = (70.0, 70.0)  # a turn about it moves the two points of each datum face opposite ways,
ARM_MM: Final = 70.0  # the furthest of them by this arm

Happens = Callable[[float, int], tuple[Happening, ...]]


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One cause at work: what happens for a size in micrometres from a part on.

    `registers` are those whose error it is; none where no register may be moved. `is_growth`: the machine warms up.
    """

    name: str
    cause: Cause
    words: str
    size: float
    registers: tuple[str, ...] = ()
    happens: Happens = lambda _um, _at: ()
    is_growth: bool = False

    def scenario(self, size: float | None = None, at: int = FAULT_AT, sigma_um: float = SIGMA_UM) -> Scenario:
        """The reference plan under this fault alone, from part `at` on."""
        um = (self.size if size is None else size) * sigma_um
        cuts = tuple(replace(cut, sd_um=sigma_um) for cut in REFERENCE_PLAN.cuts)
        setup = Setup(
            plans=(replace(REFERENCE_PLAN, cuts=cuts),),
            happenings=self.happens(um, at),
            growth=Growth(z_um=um, y_um=um / 3, from_part=at) if self.is_growth else None,
        )
        return Scenario(name=self.name, words=self.words, machines=(setup,), noise_um=sigma_um)


def _edge(um: float, at: int, *, is_recorded: bool) -> tuple[Happening, ...]:
    """A bigger cutter: sizes go off by twice its radius."""
    return (NewEdge(part=at, tool=5, radius_um=um / 2, is_recorded=is_recorded),)


_ALL: Final = (
    Fault(
        name="none",
        cause="none",
        words="Only scatter.",
        size=0.0,
    ),
    Fault(
        name="wear",
        cause="wear",
        words="Cutter 5 loses radius with every part.",
        size=6.0,
        registers=("tool 5 radius",),
        happens=lambda um, at: (FasterWear(part=at, tool=5, radius_um=um / 2 / DRIFT_PARTS),),
    ),
    Fault(
        name="wear-length",
        cause="wear",
        words="Cutter 7 loses length with every part.",
        size=6.0,
        registers=("tool 7 length",),
        happens=lambda um, at: (FasterWear(part=at, tool=7, length_um=um / DRIFT_PARTS),),
    ),
    Fault(
        name="new-edge-recorded",
        cause="new-edge",
        words="Cutter 5 gets a bigger edge, and the change is recorded.",
        size=8.0,
        registers=("tool 5 radius",),
        happens=lambda um, at: _edge(um, at, is_recorded=True),
    ),
    Fault(
        name="new-edge-unrecorded",
        cause="new-edge",
        words="Cutter 5 gets a bigger edge, and nobody says so.",
        size=8.0,
        registers=("tool 5 radius",),
        happens=lambda um, at: _edge(um, at, is_recorded=False),
    ),
    Fault(
        name="part-moved-one-axis",
        cause="part-moved",
        words="Parts lie further along X.",
        size=8.0,
        registers=("work 54 X",),
        happens=lambda um, at: (PartMoved(part=at, x_um=um),),
    ),
    Fault(
        name="part-moved-two-axes",
        cause="part-moved",
        words="Parts lie further along X and less far along Y.",
        size=8.0,
        registers=("work 54 X", "work 54 Y"),
        happens=lambda um, at: (PartMoved(part=at, x_um=um, y_um=-um),),
    ),
    Fault(
        name="part-moved-rotation",
        cause="part-moved",
        words="Parts lie turned about Z: no linear part zero can mend that.",
        size=10.0,
        happens=lambda um, at: (PartMoved(part=at, turned_mrad=um / ARM_MM, about_mm=MIDDLE_MM),),
    ),
    Fault(
        name="warm-up",
        cause="warm-up",
        words="The machine grows in Z, and a third as much in Y, and then stays so.",
        size=8.0,
        registers=("work 54 Y", "work 54 Z"),
        is_growth=True,
    ),
    Fault(
        name="probe-step",
        cause="probe",
        words="The probe reads every inside size large and every outside size small.",
        size=6.0,
        happens=lambda um, at: (ProbeStep(part=at, ball_um=um / 2),),
    ),
    Fault(
        name="probe-drift",
        cause="probe",
        words="The same, more and more.",
        size=6.0,
        happens=lambda um, at: (ProbeDrift(part=at, ball_um=um / 2 / DRIFT_PARTS),),
    ),
    Fault(
        name="tool-broken",
        cause="tool-broken",
        words="Cutter 5 breaks.",
        size=400.0,
        happens=lambda um, at: (ToolBroken(part=at, tool=5, radius_um=um / 2, length_um=um),),
    ),
    Fault(
        name="outlier",
        cause="outlier",
        words="A chip under the probe at one reading.",
        size=15.0,
        happens=lambda um, at: (Chip(part=at, feature="11", um=-um),),
    ),
    Fault(
        name="conflict",
        cause="conflict",
        words="Two inside sizes of cutter 5 go opposite ways: no radius suits both.",
        size=10.0,
        happens=lambda um, at: (
            Reprogrammed(part=at, feature="11", um=um),
            Reprogrammed(part=at, feature="12", um=-um),
        ),
    ),
)

FAULTS: Final[Mapping[str, Fault]] = MappingProxyType({fault.name: fault for fault in _ALL})


def single_fault(name: str, size: float | None = None, at: int = FAULT_AT, sigma_um: float = SIGMA_UM) -> Scenario:
    """The scenario of one fault, by name, of a size in multiples of `sigma_um`; KeyError names those there are."""
    if name not in FAULTS:
        raise KeyError(f"found fault {name!r}; wanted one of {', '.join(FAULTS)}")
    return FAULTS[name].scenario(size, at, sigma_um)
