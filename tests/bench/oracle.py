"""A filter that knows what no shop can know: the true noise, walks and wear curves, and how edges differ.

Kalman filter (Kalman 1960) with, for each cutter, where its edge stands in radius and length, and its wear rate as a
share of the curve's. Only how far off a new edge may be is taken for normal, with the true variance. Band and aim are
for the bench to search.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedback.simulate.errors import SimulatedErrors
from feedback.simulate.wear import NO_WEAR, Cutter
from tests.bench.bench_machine import BenchMachine

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
AXES = ("radius", "length")


@dataclass(frozen=True)
class _Cutters:
    """States: for each cutter where the radius and the length of its edge stand, and its rate."""

    bench: BenchMachine
    parts: int

    @property
    def cutters(self) -> tuple[Cutter, ...]:
        return self.bench.scenario.setup().cutters

    def use(self, cutter: Cutter, part: int) -> int:
        """Parts the edge in use has cut before this one; edges are changed by schedule."""
        every = cutter.changed_every
        return part if every is None else part % every

    def loss(self, part: int) -> Floats:
        """(registers, states): what each state adds to each register's error."""
        registers = self.bench.scenario.setup().registers
        table = np.zeros((len(registers), 3 * len(self.cutters)))
        for at, cutter in enumerate(self.cutters):
            for axis, curve in enumerate((cutter.radius, cutter.length)):
                register = registers.index(f"{cutter.name} {AXES[axis]}")
                table[register, 3 * at + axis] = 1.0
                table[register, 3 * at + 2] = float(curve.at(np.array(float(self.use(cutter, part)))))
        return table

    def walk_var(self) -> Floats:
        walks = [
            [cutter.walk_um if curve != NO_WEAR else 0.0 for curve in (cutter.radius, cutter.length)] + [0.0]
            for cutter in self.cutters
        ]
        return np.asarray(np.square(np.array(walks)).ravel(), dtype=np.float64)

    def new_edge_var(self, cutter: Cutter) -> Floats:
        """An edge lies least to most off, either way: a third of the difference of cubes over that of values."""
        least, most = cutter.edge_um
        var = (most**3 - least**3) / (3 * (most - least))
        return np.array([var, var, cutter.rate_spread**2])


def expected_errors(bench: BenchMachine, errors: SimulatedErrors) -> Floats:
    """(seeds, parts, registers): the error, without corrections, expected of the first part a correction can reach.

    nan where nothing was read.
    """
    seeds, parts, _ = errors.read_um.shape
    known = _Cutters(bench, parts)
    setup = bench.scenario.setup()
    noise_var = np.diag([cut.sd_um**2 for _, cut in setup.features])
    off = errors.read_um - np.array([cut.offset_um for _, cut in setup.features])
    mean, cov = _begin(known, seeds)
    expected = np.full((seeds, parts, len(setup.registers)), np.nan)
    for part in range(parts):
        if part:
            cov = cov + np.diag(known.walk_var())
            _change_edges(known, part, mean, cov)
        if np.isnan(off[0, part]).all():
            continue
        design = errors.moves.T @ known.loss(part)
        shared = cov @ design.T
        gain = np.linalg.solve(design @ shared + noise_var, shared.T).T
        mean = mean + (off[:, part] - mean @ design.T) @ gain.T
        cov = cov - gain @ shared.T
        expected[:, part] = mean @ _loss_ahead(known, part, bench.delay + 1).T
    return expected


def _begin(known: _Cutters, seeds: int) -> tuple[Floats, Floats]:
    """The first edges stand where they were set up; their rates are like any other edge's."""
    mean = np.tile([0.0, 0.0, 1.0], (seeds, len(known.cutters)))
    spread = [[0.0, 0.0, cutter.rate_spread**2] for cutter in known.cutters]
    return mean, np.diag(np.array(spread).ravel()) if spread else np.zeros((0, 0))


def _change_edges(known: _Cutters, part: int, mean: Floats, cov: Floats) -> None:
    for at, cutter in enumerate(known.cutters):
        if known.use(cutter, part) == 0:
            own = slice(3 * at, 3 * at + 3)
            mean[:, own] = [0.0, 0.0, 1.0]
            cov[own], cov[:, own] = 0.0, 0.0
            cov[own, own] = np.diag(known.new_edge_var(cutter))


def _loss_ahead(known: _Cutters, part: int, ahead: int) -> Floats:
    """As of the part `ahead` parts on; what an edge changed before then will do is nothing for this correction."""
    table, now = known.loss(part + ahead), known.loss(part)
    for at, cutter in enumerate(known.cutters):
        if known.use(cutter, part + ahead) < known.use(cutter, part):
            table[:, 3 * at : 3 * at + 3] = now[:, 3 * at : 3 * at + 3]
    return table


@dataclass
class OraclePolicy:
    """Beyond the band, set past the centre by `aim` of the band on the side that wear moves away from."""

    expected_um: Floats
    band_um: Floats
    aim: float

    def wish_um(self, part: int, off_um: Floats, held_um: Floats) -> Floats:  # noqa: ARG002
        error = self.expected_um[:, part] + held_um
        is_due = np.abs(error) > self.band_um
        return -np.where(is_due, error, 0.0) - self.aim * np.where(is_due, self.band_um, 0.0)

    def entered(self, moved_um: Floats) -> None:
        """The sum of entries is handed in with every part."""

    def renewed(self, fresh: Flags) -> None:
        """Known beforehand."""
