"""Groups, rows and wear with a known truth, for the tests of the trend."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedback.trend.shape import States
from feedback.trend.tracker import GroupShape, Parameters, Priors, Row

BORE = GroupShape(("tool",), ((-2.0,),), ("tool 5 radius",), ("feature 12",), ("mm",))
BORE_AND_BOSS = GroupShape(("tool",), ((-2.0,), (2.0,)), ("tool 5 radius",), ("feature 12", "feature 13"), ("mm", "mm"))
DATUM = GroupShape(("work",), ((-1.0,),), ("work 54 X",), ("feature 31",), ("mm",))
TOOL_AND_WORK = GroupShape(
    ("tool", "work"),
    ((1.0, 1.0), (1.0, 0.0), (0.0, 1.0)),
    ("tool 5 length", "work 54 Z"),
    ("feature 1", "feature 2", "feature 3"),
    ("mm", "mm", "mm"),
)


def usual(shape: GroupShape, noise_um: float = 2.0) -> Parameters:
    """The priors' own parameters, as fixed ones."""
    priors = Priors()
    return Parameters(
        noise_um=(noise_um,) * len(shape.sensitivity),
        walk_um=tuple(priors.walk_um(kind) for kind in shape.register_kinds),
        slope_walk_um=priors.slope_walk_um,
    )


def rows_of(
    readings: Iterable[Sequence[float]],
    registers: int = 1,
    moved: Mapping[int, tuple[float, ...]] | None = None,
    fresh: Mapping[int, tuple[bool, ...]] | None = None,
) -> list[Row]:
    """Parts numbered from 1 with these readings; `moved` and `fresh` by position in the list."""
    still, worn = (0.0,) * registers, (False,) * registers
    return [
        Row(str(k + 1), tuple(row), (moved or {}).get(k, still), (fresh or {}).get(k, worn))
        for k, row in enumerate(readings)
    ]


@dataclass(frozen=True)
class Wear:
    """Rows of a group and what was true: every feature's deviation without its noise, every register's error."""

    rows: list[Row]
    deviation_um: NDArray[np.float64]  # n x F
    level_um: NDArray[np.float64]  # n x R


def worn(shape: GroupShape, parts: int, seed: int, *, spread: float = 0.0, life: int | None = None) -> Wear:
    """A group as the priors expect it; `spread` 1 draws its parameters from the priors, 0 takes their middle."""
    rng, priors, states = np.random.default_rng(seed), Priors(), States(shape)

    def draw(middle: float, factor: float) -> float:
        return middle * math.exp(spread * math.log(factor) * rng.normal())

    tool = np.array([kind == "tool" for kind in shape.register_kinds])
    noise = np.array([draw(priors.noise_um, priors.noise_factor) for _ in range(states.features)])
    walk_of = {kind: draw(priors.walk_um(kind), priors.walk_factor) for kind in sorted(set(shape.register_kinds))}
    walk = np.array([walk_of[kind] for kind in shape.register_kinds])
    slope_walk = draw(priors.slope_walk_um, priors.slope_walk_factor)
    level = rng.normal(0, priors.first_level_um, states.registers)
    slope = rng.normal(0, priors.slope_um, states.registers) * tool
    own = np.array([rng.normal(0, priors.own_offset_um) if index is not None else 0.0 for index in states.own])
    rows, deviations, levels = [], [], []
    for part in range(parts):
        is_new = tool & (life is not None and part > 0 and part % (life or 1) == 0)
        level = np.where(is_new, rng.normal(0, priors.new_tool_level_um, tool.size), level)
        slope = np.where(is_new, rng.normal(0, priors.slope_um, tool.size), slope)
        deviation = states.sensitivity @ level + own
        readings = deviation + noise * rng.normal(size=states.features)
        rows.append(Row(str(part + 1), tuple(readings.tolist()), (0.0,) * tool.size, tuple(is_new.tolist())))
        deviations.append(deviation)
        levels.append(level)
        level = level + slope + walk * rng.normal(size=tool.size)
        slope = slope + tool * slope_walk * rng.normal(size=tool.size)
    return Wear(rows, np.array(deviations), np.array(levels))
