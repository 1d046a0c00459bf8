"""A plan with one feature of each kind, and machines without scatter to look at one thing at a time."""

from dataclasses import replace
from typing import Any

import numpy as np

from feedback.simulate.happenings import Happening
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.plans import Cut, PartPlan
from feedback.simulate.scenario import Setup

TOLERANCE = ("-0.050", "+0.050")


def cut(id: str, kind: Any, nominal: str, **more: Any) -> Cut:
    return Cut(id=id, name=f"{kind} {id}", kind=kind, nominal=nominal, tolerance=TOLERANCE, sd_um=0.0, **more)


ALL_KINDS = PartPlan(
    part="9000",
    title="One of each kind",
    material="aluminium 6061",
    cte_per_k=23.6e-6,
    cuts=(
        cut("bore", "bore", "25", tool=5),
        cut("pocket", "pocket", "60", tool=5),
        cut("boss", "boss", "40", tool=5),
        cut("web", "web", "100", tool=5),
        cut("wall+", "wall", "80", tool=5, axis="X", faces="+"),
        cut("wall-", "wall", "-80", tool=5, axis="X", faces="-"),
        cut("floor", "floor", "-18", tool=5),
        cut("seat", "floor", "-12", tool=5, datum="datZ"),
        cut("depth", "depth", "9", tool=5),
        cut("drilled", "drilled", "8", tool=12),
        cut("shared", "pocket", "30", tool=5, other_tool=6),
        cut("datX", "datum", "0", axis="X", faces="-", place_mm=(0.0, 20.0)),
        cut("datX2", "datum", "0", axis="X", faces="-", place_mm=(0.0, 120.0)),
        cut("datY", "datum", "0", axis="Y", faces="-", place_mm=(30.0, 0.0)),
        cut("datZ", "datum", "0", axis="Z", faces="+"),
        cut("portX", "machined", "46", axis="X", datum="datX"),
        cut("portZ", "machined", "-30", axis="Z", datum="datZ"),
    ),
)  # fmt: skip


def quiet(*happenings: Happening, **more: Any) -> Setup:
    """A machine without scatter, lag or wear."""
    return Setup(plans=(ALL_KINDS,), happenings=happenings, **{"lag": 0, **more})


def readings(setup: Setup, parts: int = 1, seed: int = 1) -> dict[str, np.ndarray]:
    """Feature id -> deviation of its reading at each part, in micrometres."""
    read = np.array([part.read_um for part in SimulatedMachine(setup, seed).cut_parts(parts)])
    return {cut.id: read[:, column] for column, (_, cut) in enumerate(setup.features)}


def moved(*happenings: Happening, **more: Any) -> dict[str, float]:
    """By how much the first part reads otherwise for what happens to it; what does not move is left out."""
    read = {id: float(values[0]) for id, values in readings(quiet(*happenings, **more)).items()}
    return {id: um for id, um in read.items() if abs(um) > 1e-9}


def only_noise(sd_um: float, tools: int) -> Setup:
    """Nothing but scatter on one floor of each of so many tools."""
    floors = tuple(replace(cut(str(tool), "floor", "0", tool=tool), sd_um=sd_um) for tool in range(1, tools + 1))
    return Setup(plans=(replace(ALL_KINDS, part="9001", cuts=floors),), lag=0)
