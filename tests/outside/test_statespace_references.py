"""Our filter against published state-space results and against a filter that is not ours.

Nile: Durbin & Koopman, Time Series Analysis by State Space Methods, ch. 2. UK drivers: Commandeur & Koopman, An
Introduction to State Space Time Series Analysis, ch. 2 and 3. Their diffuse log-likelihood counts the parts after the
d that the diffuse states use up; we reach the same by starting from what those d parts say.
"""

import csv
from pathlib import Path

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter as OtherFilter

from feedback.trend.statespace import Array, Belief, Model, run, score
from feedback.trend.tracker import GroupShape, Parameters, Priors, Row, Tracker

DATA = Path(__file__).parent / "data"
ONE = np.ones((1, 1))


def _column(name: str) -> Array:
    with (DATA / name).open(encoding="ascii", newline="") as file:
        lines = [line for line in file if not line.startswith("#")]
    return np.array([[float(row[1])] for row in list(csv.reader(lines))[1:]])


def _level(noise_var: float, walk_var: float) -> Model:
    return Model(ONE, np.array([noise_var]), ONE, np.array([walk_var]))


def _trend(noise_var: float, walk_var: float, slope_walk_var: float) -> Model:
    transition = np.array([[1.0, 1.0], [0.0, 1.0]])
    return Model(np.array([[1.0, 0.0]]), np.array([noise_var]), transition, np.array([walk_var, slope_walk_var]))


def _level_after_one(model: Model, y: Array) -> Belief:
    return Belief(y[0], ONE * (model.noise_var[0] + model.walk_var[0]))


def _trend_after_two(model: Model, y: Array) -> Belief:
    """From y1 = l1 + e1, y2 = l1 + s1 + w1 + e2: what is known about level and slope at the third part."""
    slope = y[1, 0] - y[0, 0]
    #                     e1    e2    w1   w2   z1   z2
    of_level = np.array([1.0, -2.0, -1.0, 1.0, 1.0, 0.0])
    of_slope = np.array([1.0, -1.0, -1.0, 0.0, 1.0, 1.0])
    noise, walk, slope_walk = model.noise_var[0], model.walk_var[0], model.walk_var[1]
    var = np.diag([noise, noise, walk, walk, slope_walk, slope_walk])
    mixing = np.array([of_level, of_slope])
    return Belief(np.array([y[1, 0] + slope, slope]), mixing @ var @ mixing.T)


NILE = _column("nile.csv")
DRIVERS = np.log(_column("uk-drivers-ksi.csv"))


def test_nile_loglikelihood_at_the_published_maximum() -> None:
    """The local level model of the Nile reaches the published log-likelihood (n-1 constants)."""
    model = _level(15098.5175, 1469.1769)

    done = run(model, _level_after_one(model, NILE), NILE[1:])

    assert done.loglik.sum() == pytest.approx(-632.545625, abs=1e-5)


def test_nile_score_is_zero_at_the_published_maximum() -> None:
    """Our exact derivatives agree that the published variances are the maximum."""
    model = _level(15098.5175, 1469.1769)
    vague = Belief(np.zeros(1), ONE * 1e9)  # so vague that the first year says nothing about the variances

    scored = score(model, vague, NILE)

    assert 2 * model.noise_var[0] * scored.by_noise_var[0] == pytest.approx(0, abs=0.01)
    assert 2 * model.walk_var[0] * scored.by_walk_var[0] == pytest.approx(0, abs=0.01)


def test_nile_filtered_levels_and_steady_state() -> None:
    """Filtered levels and the steady variances of the Nile are the published ones."""
    model = _level(15099, 1469.1)

    done = run(model, _level_after_one(model, NILE), NILE[1:])

    assert done.mean[:2, 0] == pytest.approx([1140.927840, 1072.798530], abs=1e-6)
    assert done.mean[-1, 0] == pytest.approx(798.370293, abs=1e-5)
    assert done.predicted_cov[-1, 0, 0] == pytest.approx(5501.257942, abs=1e-4)
    assert done.cov[-1, 0, 0] == pytest.approx(4032.157942, abs=1e-4)


@pytest.mark.parametrize(
    ("noise_var", "walk_var", "published"),
    [(0.0293525592, 0.0, 0.3297597), (0.00222155, 0.0118660, 0.6451960)],
    ids=["deterministic level (2.1)", "local level (2.2)"],
)
def test_drivers_level_models(noise_var: float, walk_var: float, published: float) -> None:
    """The two level models of the UK drivers reach the printed log-likelihoods per month."""
    model = _level(noise_var, walk_var)

    done = run(model, _level_after_one(model, DRIVERS), DRIVERS[1:])

    assert done.loglik.sum() / len(DRIVERS) == pytest.approx(published, abs=1e-6)


@pytest.mark.parametrize(
    ("noise_var", "walk_var", "published"),
    [(0.0229980560, 0.0, 0.4140728), (0.00211808, 0.0121283, 0.6247935)],
    ids=["deterministic trend (3.1)", "local linear trend (3.2)"],
)
def test_drivers_trend_models(noise_var: float, walk_var: float, published: float) -> None:
    """The two trend models do, too, with a slope that does not walk at all."""
    model = _trend(noise_var, walk_var, 0.0)

    done = run(model, _trend_after_two(model, DRIVERS), DRIVERS[2:])

    assert done.loglik.sum() / len(DRIVERS) == pytest.approx(published, abs=1e-6)


def test_another_filter_gives_the_same_states_for_a_group() -> None:
    """A tool and a work offset on three features with gaps: an independent filter knows the same after every part."""
    sensitivity = ((-2.0, 1.0), (2.0, 0.0), (0.0, 1.0))
    parameters = Parameters(noise_um=(2.0, 1.5, 2.5), walk_um=(0.3, 0.5), slope_walk_um=0.05)
    priors = Priors()
    readings = np.random.default_rng(7).normal(0, 2, (40, 3)) + 0.1 * np.arange(40)[:, None]
    readings[5, 1] = readings[6] = readings[20, 0] = np.nan
    rows = [Row(str(k), tuple(row), (0.0, 0.0), (False, False)) for k, row in enumerate(readings.tolist())]

    ours = Tracker(GroupShape(("tool", "work"), sensitivity), priors, fixed=parameters).take(rows)

    # states: two levels, the tool's slope, three own offsets; of these only (1, 1, -1) is out of the registers' reach
    other = OtherFilter(dim_x=6, dim_z=3)
    other.x = np.zeros(6)
    other.P = np.diag([100.0**2, 100.0**2, 1.0, 0.0, 0.0, 0.0])
    other.P[3:, 3:] = 25.0 / 3 * np.outer([1, 1, -1], [1, 1, -1])
    other.F = np.eye(6)
    other.F[0, 2] = 1.0
    other.Q = np.diag([0.09, 0.25, 0.0025, 0, 0, 0])
    design = np.array([[-2.0, 1, 0, 1, 0, 0], [2, 0, 0, 0, 1, 0], [0, 1, 0, 0, 0, 1]])
    noise = np.diag([4.0, 2.25, 6.25])
    assert not ours.wild.any()
    for k, row in enumerate(readings):
        if k:
            other.predict()
        read = ~np.isnan(row)
        if read.any():
            other.update(row[read], R=noise[np.ix_(read, read)], H=design[read])
        assert ours.mean[k] == pytest.approx(other.x, abs=1e-8)
        assert ours.cov[k] == pytest.approx(other.P, abs=1e-8)
