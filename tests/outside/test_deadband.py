"""Our forecast, band and engine in closed loop against the theory of bounded adjustment.

Theory: Box, Jenkins & MacGregor, Applied Statistics 23 (1974); Box & Luceno, Statistical Control by Monitoring and
Feedback Adjustment (1997). Disturbance IMA(0,1,1): z = zhat + a, next zhat = zhat + lambda a. Correct in full when the
forecast leaves +-L; then with K = L / (lambda sigma_a) the average adjustment interval is h(K) and the mean square of
the output over sigma_a^2 is 1 + lambda^2 g(K). Values in data/deadband-aai-isd.csv, solved there to 1e-10.

Every one of the 35 x 8,000 decisions is made by the engine itself. Tolerances are counted in standard errors of this
simulation, from 50 batches a cell; runs with a fixed seed, so they pass or fail always.
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from feedback.trend.tracker import GroupShape, Parameters, Priors, Row, Tracker
from rules.engine import decide
from rules.evidence import Evidence, FeatureOutlook
from rules.limits import Limits

TABLE = Path(__file__).parent / "data" / "deadband-aai-isd.csv"
SIGMA_A = 10.0  # um
PARTS = 8_000
RUN_IN = 240  # parts until the filter's gain has settled at lambda (slowest here: 0.9 to the power of parts)
BATCHES = 50
STANDARD_ERRORS = 4.0  # two-sided 1 in 16,000 a cell; 70 comparisons
LIMITS = Limits(band=0.5, aim=0.0, settle=0, evidence=1, confidence=0.5, step_um=1e9, travel_um=1e9)

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Cell:
    """One line of the table."""

    gain: float
    k: float
    interval: float
    mean_square: float

    @property
    def band_um(self) -> float:
        return self.k * self.gain * SIGMA_A


@dataclass(frozen=True)
class Outcome:
    """How far a simulated cell lies from theory, in its own standard errors."""

    interval: float
    interval_z: float
    mean_square: float
    mean_square_z: float


def cells() -> Iterator[Cell]:
    lines = (line for line in TABLE.read_text().splitlines() if not line.startswith("#"))
    for row in csv.DictReader(lines):
        yield Cell(float(row["lambda"]), float(row["K"]), float(row["aai"]), float(row["msd_ratio"]))


def disturbance(gain: float, seed: int) -> tuple[Floats, Floats]:
    """Deviations without any correction, and the shocks in them."""
    shocks = np.random.default_rng(seed).normal(0.0, SIGMA_A, RUN_IN + PARTS + 1)
    levels = gain * np.concatenate([[0.0], np.cumsum(shocks)[:-1]])
    return levels + shocks, shocks


def forecasts(readings: Floats, gain: float) -> Floats:
    """What our tracker expects of the part after each reading, were nothing corrected.

    Its local level with noise variance (1 - lambda) sigma_a^2 and walk variance lambda^2 sigma_a^2 has the steady gain
    lambda (Muth 1960). The model is linear in known moves, so corrections are added to this one run afterwards.
    """
    work = GroupShape(register_kinds=("work",), sensitivity=((1.0,),))
    fixed = Parameters(noise_um=(sqrt(1 - gain) * SIGMA_A,), walk_um=(gain * SIGMA_A,), slope_walk_um=0.0)
    rows = [Row(str(part), (reading,), (0.0,), (False,)) for part, reading in enumerate(readings.tolist())]
    return np.asarray(Tracker(work, Priors(), fixed=fixed).take(rows).predict(1).own_um[:, 0, 0])


def evidence(part: int, forecast_um: float, half_um: float, now: Decimal) -> Evidence:
    position = FeatureOutlook(
        id="31",
        name="",
        sensitivity=1.0,
        before_um=forecast_um,
        own_um=forecast_um,
        sd_um=SIGMA_A,
        lower_um=-half_um,
        upper_um=half_um,
    )
    return Evidence(
        register="work 54 X",
        kind="work",
        part=str(part),
        features=(position,),
        parts=part + 1,
        now=now,
        increment=Decimal("1e-9"),
    )


def corrections(uncorrected: Floats, band_um: float) -> Floats:
    """The sum of all corrections in force after each part, each decided by the engine on the corrected forecast."""
    half_um, now = band_um / LIMITS.band, Decimal(0)
    in_force = np.zeros(len(uncorrected))
    for part, forecast in enumerate(uncorrected.tolist()):
        step = decide(evidence(part, forecast + float(now) * 1000, half_um, now), LIMITS).step
        now = now if step is None else step.new
        in_force[part] = float(now) * 1000
    return in_force


def mean_and_error(values: Floats) -> tuple[float, float]:
    """Mean and its standard error, from batches longer than what ties neighbouring parts together."""
    batches = values[: len(values) // BATCHES * BATCHES].reshape(BATCHES, -1).mean(axis=1)
    return float(batches.mean()), float(batches.std(ddof=1) / sqrt(BATCHES))


def simulated(cell: Cell, seed: int) -> Outcome:
    readings, shocks = disturbance(cell.gain, seed)
    in_force = corrections(forecasts(readings[:-1], cell.gain), cell.band_um)[RUN_IN:]
    adjusted = (np.diff(in_force, prepend=in_force[0]) != 0).astype(float)
    rate, rate_error = mean_and_error(adjusted)
    output = readings[RUN_IN + 1 :] + in_force
    # The shocks' own mean square is known to be 1; taking out how far this sample is from it leaves the inflation.
    inflation = (output**2 - shocks[RUN_IN + 1 :] ** 2) / SIGMA_A**2
    square, square_error = mean_and_error(1.0 + inflation)
    return Outcome(
        interval=1.0 / rate,
        interval_z=(rate - 1.0 / cell.interval) / rate_error,
        mean_square=square,
        mean_square_z=(square - cell.mean_square) / square_error,
    )


CELLS = tuple(cells())


@pytest.fixture(scope="module")
def outcomes() -> dict[Cell, Outcome]:
    return {cell: simulated(cell, seed) for seed, cell in enumerate(CELLS)}


def test_the_table_is_whole() -> None:
    """Five gains and seven bands, none skipped."""
    assert len(CELLS) == len({(cell.gain, cell.k) for cell in CELLS}) == 35


@pytest.mark.parametrize("cell", CELLS, ids=lambda cell: f"lambda {cell.gain} K {cell.k}")
def test_the_band_corrects_as_seldom_as_theory_says(cell: Cell, outcomes: dict[Cell, Outcome]) -> None:
    """The parts between two corrections agree with the average adjustment interval."""
    assert abs(outcomes[cell].interval_z) < STANDARD_ERRORS, outcomes[cell]


@pytest.mark.parametrize("cell", CELLS, ids=lambda cell: f"lambda {cell.gain} K {cell.k}")
def test_the_band_costs_no_more_than_theory_says(cell: Cell, outcomes: dict[Cell, Outcome]) -> None:
    """Leaving the machine alone inside the band widens the parts by what theory says and no more."""
    assert abs(outcomes[cell].mean_square_z) < STANDARD_ERRORS, outcomes[cell]


@pytest.mark.parametrize("of", ["interval_z", "mean_square_z"])
def test_no_small_fault_hides_in_every_cell(of: str, outcomes: dict[Cell, Outcome]) -> None:
    """A fault too small for one cell shows in the mean over all 35, which is six times as sharp."""
    mean_z = sum(getattr(outcome, of) for outcome in outcomes.values()) / len(outcomes)

    assert abs(mean_z) < STANDARD_ERRORS / sqrt(len(outcomes))
