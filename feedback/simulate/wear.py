"""How cutting edges wear: fast at first, then steadily, then faster and faster.

The three phases of flank wear are those of ISO 3685 and every textbook; a worn flank of width VB has taken
VB x tan(clearance) off the cutter's radius (with zero rake).
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class WearCurve:
    """A loss in micrometres over use, counted in parts (or minutes): break-in, steady wear, acceleration.

    loss(t) = break_in_um (1 - exp(-t / break_in)) + per_part_um t + acceleration_um max(0, t - onset)^2
    """

    break_in_um: float = 0.0
    break_in: float = 1.0
    per_part_um: float = 0.0
    onset: float = math.inf
    acceleration_um: float = 0.0

    def at(self, use: Floats) -> Floats:
        """The loss after so much use, in micrometres; same shape as `use`."""
        loss = self.break_in_um * -np.expm1(-use / self.break_in) + self.per_part_um * use
        if self.acceleration_um and math.isfinite(self.onset):
            loss = loss + self.acceleration_um * np.square(np.maximum(0.0, use - self.onset))
        return np.asarray(loss, dtype=np.float64)

    def scaled(self, factor: float) -> "WearCurve":
        """The same course with every loss multiplied."""
        return replace(
            self,
            break_in_um=self.break_in_um * factor,
            per_part_um=self.per_part_um * factor,
            acceleration_um=self.acceleration_um * factor,
        )

    def radial(self, clearance_deg: float, rake_deg: float = 0.0) -> "WearCurve":
        """The loss of radius behind this course of flank wear."""
        return self.scaled(radial_share(clearance_deg, rake_deg))


def radial_share(clearance_deg: float, rake_deg: float = 0.0) -> float:
    """Radius lost for each micrometre of flank wear: tan(a) / (1 - tan(a) tan(rake)); tan(a) with zero rake."""
    tangent = math.tan(math.radians(clearance_deg))
    return tangent / (1 - tangent * math.tan(math.radians(rake_deg)))


NO_WEAR: Final = WearCurve()


@dataclass(frozen=True, kw_only=True)
class Cutter:
    """One tool position: how its edges wear, how alike they are, and when they are changed.

    `rate_spread` is the standard deviation of an edge's rate as a share of the mean rate; `walk_um` that of an uneven
    step from part to part. `age` is the use the first edge has behind it. An edge is changed after `changed_every`
    parts; the new one stands `edge_um` (least, most) off its set-up geometry, either way (5 to 20 um, common practice),
    and the change is recorded with NEWTOOL in `recorded_share` of the cases.
    """

    number: int
    radius: WearCurve = NO_WEAR
    length: WearCurve = NO_WEAR
    age: int = 0
    rate_spread: float = 0.0
    walk_um: float = 0.0
    changed_every: int | None = None
    edge_um: tuple[float, float] = (5.0, 20.0)
    recorded_share: float = 1.0

    @property
    def name(self) -> str:
        """As registers are named: "tool 5"."""
        return f"tool {self.number}"

    def lost_um(self, axis: str, use: Floats, rate: Floats, is_first: NDArray[np.bool_]) -> Floats:
        """What the edge in use has lost in `axis` since set-up, by its use and its own rate."""
        curve = self.radius if axis == "radius" else self.length
        before = float(self.age)
        first = curve.at(use + before) - curve.at(np.array(before))
        return np.asarray(rate * np.where(is_first, first, curve.at(use)), dtype=np.float64)
