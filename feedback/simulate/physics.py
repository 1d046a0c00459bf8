"""How a feature comes out and how it reads, from the cutter, the clamping, the machine and the probe.

A stand says how things stand from set-up when a part is cut and probed, in micrometres (turns in mrad, warmth in K):

    tool 5 radius, tool 5 length             the register holds so much more
    tool 5 radius lost, tool 5 length lost   the cutter is so much smaller than its set-up geometry
    work 54 X                                the stored part zero lies so much further along X
    part 54 X, part 54 turned                the part lies further along X, is turned about Z
    head Z                                   the spindle stands so much further along Z than the scales say
    ball                                     the stored ball radius is so much bigger than the true one
    warmth                                   the part is so much warmer than 20 degC

What is missing is zero. Everything is linear, so unit stands give the columns of a matrix.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from feedback.simulate.plans import Cut, PartPlan
from feedback.simulate.scenario import AXES, Setup

Floats = NDArray[np.float64]
Stand = Mapping[str, float]


def made_um(cut: Cut, plan: PartPlan, stand: Stand) -> float:
    """How far the feature itself is off at 20 degC by this stand: what a measuring room would find."""
    match cut.kind:
        case "bore" | "pocket":  # metal left on both walls, towards the middle
            return -sum(_left_on_wall(cutter, stand) for cutter in cut.cutters)
        case "boss" | "web":
            return sum(_left_on_wall(cutter, stand) for cutter in cut.cutters)
        case "drilled":  # as big as the drill
            return -2 * stand.get(f"{cut.cutter} radius lost", 0.0)
        case "depth":
            return -_left_below(cut, stand)
        case "floor":
            return _left_below(cut, stand) + _cut_place(cut, plan, stand)
        case "wall":
            return _outward(cut) * _left_on_wall(cut.cutter, stand) + _cut_place(cut, plan, stand)
        case "machined":
            return _cut_place(cut, plan, stand)
        case "datum":
            return _part_place(cut, plan, stand) - stand.get(f"work {plan.system} {cut.along}", 0.0)


def read_um(cut: Cut, plan: PartPlan, stand: Stand, head_left: float = 1.0, scale_cte_per_k: float = 0.0) -> float:
    """How far the reading is off by this stand, scatter apart; `head_left`: share of the growth there when probing."""
    warm = plan.nominal_um(cut) * (plan.cte_per_k - scale_cte_per_k) * stand.get("warmth", 0.0)
    probe = _ball(cut, stand) - (0.0 if cut.datum is None else _ball(plan.cut(cut.datum), stand))
    return made_um(cut, plan, stand) + warm + probe - head_left * _seen_of_head(cut, stand)


def _left_on_wall(cutter: str, stand: Stand) -> float:
    """The control keeps the cutter's centre off the wall by the stored radius; the cutter reaches its true one."""
    return stand.get(f"{cutter} radius", 0.0) + stand.get(f"{cutter} radius lost", 0.0)


def _left_below(cut: Cut, stand: Stand) -> float:
    """Likewise along the spindle, with the stored and the true length."""
    return stand.get(f"{cut.cutter} length", 0.0) + stand.get(f"{cut.cutter} length lost", 0.0)


def _cut_place(cut: Cut, plan: PartPlan, stand: Stand) -> float:
    """How far along its axis the cut is made, from where it is read: the datum, or the same stored part zero."""
    head = stand.get(f"head {cut.along}", 0.0)
    if cut.datum is None:
        return head
    origin = stand.get(f"work {plan.system} {cut.along}", 0.0)
    return origin + head - _part_place(plan.cut(cut.datum), plan, stand)


def _part_place(cut: Cut, plan: PartPlan, stand: Stand) -> float:
    """How far along its axis a point of the raw part has come; a turn moves it by its lever arm (mrad x mm = um)."""
    x, y = cut.place_mm
    lever = {"X": -y, "Y": x, "Z": 0.0}[cut.along]
    shift = stand.get(f"part {plan.system} {cut.along}", 0.0)
    return shift + lever * stand.get(f"part {plan.system} turned", 0.0)


def _seen_of_head(cut: Cut, stand: Stand) -> float:
    """A probe on a head that stands too far along reads the face short; between two faces this cancels."""
    is_read_from_zero = cut.kind in ("wall", "floor", "machined", "datum") and cut.datum is None
    return stand.get(f"head {cut.along}", 0.0) if is_read_from_zero else 0.0


def _ball(cut: Cut, stand: Stand) -> float:
    """Inside, the stored ball is added on both sides; outside taken off; a single face is touched on one side.

    Along Z the probe's length counts, not its ball.
    """
    ball = stand.get("ball", 0.0)
    match cut.kind:
        case "bore" | "pocket" | "drilled":
            return 2 * ball
        case "boss" | "web":
            return -2 * ball
        case "wall" | "datum" | "machined" if cut.faces is not None and cut.along != "Z":
            return -_outward(cut) * ball
    return 0.0


def _outward(cut: Cut) -> int:
    return 1 if cut.faces == "+" else -1


def influences(setup: Setup) -> tuple[str, ...]:
    """The words of every stand of this machine that are not registers, in the order of the arrays' columns."""
    lost = [f"tool {tool} {axis} lost" for tool in setup.tools for axis in ("radius", "length")]
    part = [f"part {system} {what}" for system in setup.systems for what in (*AXES, "turned")]
    return (*lost, *part, "head Y", "head Z", "ball", "warmth")


def made_matrix(setup: Setup, words: Sequence[str]) -> Floats:
    """(words, features): how far each feature itself goes off for one of each word."""
    return np.array([[made_um(cut, plan, {word: 1.0}) for plan, cut in setup.features] for word in words])


def read_matrix(setup: Setup, words: Sequence[str]) -> Floats:
    """(words, features): how far each reading goes off for one of each word."""
    left = 1.0 if setup.growth is None else setup.growth.left_when_probing
    scale = 0.0 if setup.warmth is None else setup.warmth.scale_cte_per_k
    return np.array([[read_um(cut, plan, {word: 1.0}, left, scale) for plan, cut in setup.features] for word in words])


def metal_sign(setup: Setup) -> Floats:
    """(features,): the sign that something stuck to the surface gives the reading, as if more metal were there."""
    return np.array([_metal(cut) for _, cut in setup.features])


def _metal(cut: Cut) -> float:
    match cut.kind:
        case "bore" | "pocket" | "drilled" | "depth":
            return -1.0
        case "boss" | "web" | "floor":
            return 1.0
        case _:
            return 1.0 if cut.faces is None else float(_outward(cut))
