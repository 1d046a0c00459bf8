"""The readings of many runs of a machine that nobody corrects, in arrays: what control and trend are tried on.

Registers act linearly, so a bench adds its own corrections: the reading of part i is
`read_um[seed, i] + (held_um - untouched_um[seed, i]) @ moves`, with `held_um` what its registers hold.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedback.simulate.disturbance import Disturbance, disturb
from feedback.simulate.happenings import HandChange, NewEdge
from feedback.simulate.physics import made_matrix, read_matrix
from feedback.simulate.printing import read_in_other_unit_um
from feedback.simulate.scenario import Scenario, Setup

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedErrors:
    """Deviations in micrometres, of shape (seeds, parts, features); nan where nothing was read.

    `moves` and `made_moves` (registers, features) are what one micrometre in a register does to readings and features.
    `untouched_um` (seeds, parts, registers) is what the registers hold with hand changes and zeroings alone; its effect
    is in the readings. `is_zeroed` (same shape) is true where a setter sets the register to zero before the part.
    """

    features: tuple[str, ...]
    registers: tuple[str, ...]
    read_um: Floats
    made_um: Floats
    moves: Floats
    made_moves: Floats
    untouched_um: Floats
    is_zeroed: NDArray[np.bool_]


def simulate_errors(
    scenario: Scenario, parts: int, seeds: Sequence[int], machine: str | None = None
) -> SimulatedErrors:
    """So many parts under each seed, with no correction; the same parts that `SimulatedMachine` cuts.

    A part printed in the wrong unit is not linear in the registers any more; every other one is.
    """
    setup = scenario.setup(machine)
    moves, made_moves = read_matrix(setup, setup.registers), made_matrix(setup, setup.registers)
    runs = [disturb(setup, parts, seed) for seed in seeds]
    paths = [_untouched(setup, run) for run in runs]
    held = np.array([path for path, _ in paths])
    return SimulatedErrors(
        features=setup.keys,
        registers=setup.registers,
        read_um=np.array([_read(setup, run, path @ moves) for run, (path, _) in zip(runs, paths, strict=True)]),
        made_um=np.array([run.made_um for run in runs]) + held @ made_moves,
        moves=moves,
        made_moves=made_moves,
        untouched_um=held,
        is_zeroed=np.array([zeroed for _, zeroed in paths]),
    )


def _read(setup: Setup, run: Disturbance, moved_um: Floats) -> Floats:
    read = np.where(run.is_read, run.read_um, np.nan) + moved_um
    if run.is_other_unit.any():
        read[run.is_other_unit] = read_in_other_unit_um(setup, read[run.is_other_unit])
    return read


def _untouched(setup: Setup, run: Disturbance) -> tuple[Floats, NDArray[np.bool_]]:
    place = {register: index for index, register in enumerate(setup.registers)}
    held = np.zeros((len(run), len(place)))
    zeroed = np.zeros(held.shape, dtype=np.bool_)
    for one in run.happenings:
        if one.part >= len(run):
            break
        if isinstance(one, HandChange):
            step_um = setup.step_um(one.register)
            held[one.part :, place[one.register]] += round(one.um / step_um) * step_um
        elif isinstance(one, NewEdge) and one.zeroes:
            columns = [place[f"tool {one.tool} {axis}"] for axis in ("radius", "length")]
            held[one.part :, columns] = 0.0
            zeroed[one.part, columns] = True
    return held, zeroed
