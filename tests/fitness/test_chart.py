"""Control charts of a check standard, against published examples and run lengths."""

import csv
import random
import statistics
from pathlib import Path

import pytest

from feedback.fitness.chart import BASELINE, Chart, chart, ewma, ewma_sigmas, individuals

# NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2 (individuals) and 6.3.2.4 (EWMA); printed results.
INDIVIDUALS = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
EWMA_VALUES = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6,
    52.1,
)  # fmt: skip
EWMA_PRINTED = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
    50.73, 51.23, 51.94, 51.99,
)  # fmt: skip
MASS = Path(__file__).parents[3] / "shared" / "data" / "nist_mass_check_standard.csv"


def test_individuals_as_in_the_handbook() -> None:
    """Mean 50.81, limits 45.8159 and 55.8041 with d2 = 1.128."""
    found = individuals(INDIVIDUALS)
    assert found.centre == pytest.approx(50.81)
    assert (found.lower, found.upper) == (pytest.approx(45.8159, abs=5e-5), pytest.approx(55.8041, abs=5e-5))


def test_ewma_as_in_the_handbook() -> None:
    """Start 50, s 2.0539, weight 0.3: twenty averages, UCL 52.5884 and LCL 47.4115 (printed truncated)."""
    assert ewma(EWMA_VALUES, 50.0, 0.3) == pytest.approx(EWMA_PRINTED, abs=0.0051)
    half = 3 * 2.0539 * ewma_sigmas(None, 0.3)
    assert (50 + half, 50 - half) == (pytest.approx(52.5884, abs=5e-5), pytest.approx(47.4115, abs=1e-4))


def test_ewma_limits_open_to_their_final_width() -> None:
    """After one value the average is that value's share; after many it has the width of the long run."""
    assert ewma_sigmas(1, 0.2) == pytest.approx(0.2)
    assert ewma_sigmas(200, 0.2) == pytest.approx(ewma_sigmas(None, 0.2))
    assert ewma_sigmas(None, 0.2) == pytest.approx(1 / 3)


@pytest.mark.parametrize(("shift", "published", "runs"), [(0.0, 500.0, 300), (1.0, 10.54, 2000)])
def test_ewma_run_lengths(shift: float, published: float, runs: int) -> None:
    """Weight 0.2 with limits of 2.962 sigma: 500 values until a false alarm, 10.5 at a shift of one sigma.

    Lucas and Saccucci, Technometrics 32 (1990), from memory; recomputed by integral equations: 499.95 and 10.54.
    """
    chance = random.Random(f"run lengths {shift}")
    limit = 2.962 * ewma_sigmas(None, 0.2)

    def run() -> int:
        average, count = 0.0, 0
        while abs(average) <= limit:
            (average,) = ewma([chance.gauss(shift, 1.0)], average, 0.2)
            count += 1
        return count

    lengths = [run() for _ in range(runs)]
    error = statistics.stdev(lengths) / runs**0.5
    assert statistics.mean(lengths) == pytest.approx(published, abs=4 * error)


def follow(values: list[float]) -> list[Chart]:
    """The chart after each value from the first that has limits."""
    return [chart(values[:count]) for count in range(BASELINE, len(values) + 1)]


def test_a_real_check_standard_drifts_steps_and_drifts_again() -> None:
    """A kilogram kept for thirteen years: slow rise, a fall near 1982, a rise again; each is found while it lasts.

    NIST/SEMATECH e-Handbook 2.3.5.2 (public domain), read from shared/data beside the checkout.
    """
    if not MASS.is_file():
        pytest.fail("nist_mass_check_standard.csv: not found in shared/data beside the checkout", pytrace=False)
    with MASS.open(encoding="ascii") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    dates = [1900 + float(row["date"]) for row in rows]
    found = follow([1000 * float(row["value_mg"]) for row in rows])  # ug
    told = [(dates[BASELINE - 1 + k], one) for k, one in enumerate(found) if one.found in ("drift", "step")]
    first_at, first = told[0]
    assert 1979 < first_at < 1981
    assert first.size > 0
    falls = [dates[one.since or 0] for _, one in told if one.found == "step" and one.size < 0]
    assert falls
    assert all(1981.5 < fall < 1983 for fall in falls)
    last_at, last = told[-1]
    assert last_at > 1988
    assert last.size > 0


def noise(count: int, seed: str, sd: float = 0.5) -> list[float]:
    chance = random.Random(seed)
    return [chance.gauss(0.0, sd) for _ in range(count)]


def test_a_steady_check_standard_hardly_ever_alarms() -> None:
    """Few checks make uncertain limits, and the limits say so: one series in ten alarms once in a hundred checks."""
    alarms = [any(one.found in ("drift", "step") for one in follow(noise(100, f"steady {k}"))) for k in range(60)]
    assert sum(alarms) / len(alarms) < 0.2


@pytest.mark.parametrize("slope", [0.05, 0.1, 0.2, -0.1])
def test_a_slow_drift_is_found_before_it_reaches_six_sigma(slope: float) -> None:
    """With 0.5 um scatter and a limit of 3 um, the drift shows while every check still passes."""
    for k in range(10):
        values = [value + slope * max(0, index - 15) for index, value in enumerate(noise(90, f"drift {k}"))]
        at = next(index for index, one in enumerate(follow(values)) if one.found in ("drift", "step")) + BASELINE - 1
        assert abs(slope) * (at - 15) < 2.5


def test_a_step_is_dated() -> None:
    """A knock at check 30 is found within a few checks, as a step of its size at its place."""
    values = [value + (2.0 if index >= 30 else 0.0) for index, value in enumerate(noise(36, "step"))]
    found = chart(values)
    assert found.found == "step"
    assert found.size == pytest.approx(2.0, abs=0.5)
    assert found.since in (29, 30, 31)


def test_one_wild_check_is_an_outlier() -> None:
    """A chip on the ring shows once: no drift, no step."""
    found = chart([*noise(40, "chip"), 3.0])
    assert (found.found, found.since) == ("outlier", 40)
    assert chart([*noise(40, "chip"), 3.0, *noise(3, "after")]).found == "nothing"


@pytest.mark.parametrize("count", [0, 1, 2, BASELINE - 1])
def test_few_checks_make_no_chart(count: int) -> None:
    """Below ten checks nothing is claimed."""
    found = chart(noise(count, "few"))
    assert (found.found, found.limits, len(found.ewma)) == ("unknown", None, count)


def test_checks_that_all_read_the_same_have_the_width_of_the_last_digit() -> None:
    """A coarse print must not turn its next digit into an alarm."""
    assert chart([0.4] * 20 + [0.5], least_sigma=0.03).found == "nothing"
    assert chart([0.4] * 20 + [0.9], least_sigma=0.03).found == "outlier"
