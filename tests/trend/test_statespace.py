"""The compiled filter: against ten lines of plain floats, against the library's public class, against differences."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from feedback.trend.statespace import Array, Belief, Model, Step, run, score


def _ten_lines(readings: list[float], noise_var: float, walk_var: float, slope_walk_var: float) -> list[list[float]]:
    """Level and slope after every reading, with the level's variance: the filter of a textbook, scalar by scalar."""
    level, slope, p, c, s = 0.0, 0.0, 100.0**2, 0.0, 1.0
    known = []
    for y in readings:
        if not math.isnan(y):
            f = p + noise_var
            surprise = y - level
            level, slope = level + p / f * surprise, slope + c / f * surprise
            p, c, s = p - p * p / f, c - p * c / f, s - c * c / f
        known.append([level, slope, p])
        level, p, c, s = level + slope, p + 2 * c + s + walk_var, c + s, s + slope_walk_var
    return known


TREND = Model(np.array([[1.0, 0.0]]), np.array([4.0]), np.array([[1.0, 1.0], [0.0, 1.0]]), np.array([0.09, 0.0004]))
SET_UP = Belief(np.zeros(2), np.diag([100.0**2, 1.0]))


def test_one_tool_is_followed_as_ten_lines_of_arithmetic_would() -> None:
    """A wearing tool with two parts unread: level, slope and variance agree with the textbook's scalar filter."""
    readings = (np.random.default_rng(5).normal(0, 2, 60) + 0.4 * np.arange(60)).tolist()
    readings[10] = readings[11] = math.nan

    done = run(TREND, SET_UP, np.array(readings)[:, None])

    expected = _ten_lines(readings, 4.0, 0.09, 0.0004)
    ours = np.column_stack([done.mean, done.cov[:, 0, 0]])
    assert ours == pytest.approx(np.array(expected), abs=1e-8)


def _group(rows: int, seed: int = 3) -> tuple[Model, Belief, NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    transition = np.eye(5)
    transition[0, 2] = 1.0
    model = Model(
        design=rng.normal(size=(3, 5)),
        noise_var=np.array([2.0, 3.0, 4.0]),
        transition=transition,
        walk_var=np.array([0.1, 0.3, 0.01, 0.0, 0.05]),
    )
    readings = np.cumsum(rng.normal(size=(rows, 3)), axis=0)
    readings[0, 0] = readings[5] = readings[7, 1] = readings[8, :2] = np.nan
    return model, Belief(np.zeros(5), 50 * np.eye(5)), readings


def test_the_compiled_classes_do_what_the_public_class_does() -> None:
    """States, predictions, innovations and log-likelihoods of a group with gaps equal the library's own results."""
    from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

    model, start, readings = _group(60)
    public = KalmanFilter(k_endog=3, k_states=5, k_posdef=5, tolerance=0.0)
    public.bind(readings.copy())
    public["design"], public["obs_cov"] = model.design, np.diag(model.noise_var)
    public["transition"], public["selection"] = model.transition, np.eye(5)
    public["state_cov"] = np.diag(model.walk_var)
    public.initialize_known(start.mean, start.cov)
    theirs = public.filter()

    ours = run(model, start, readings)

    assert ours.mean == pytest.approx(theirs.filtered_state.T, abs=1e-12)
    assert ours.cov == pytest.approx(np.moveaxis(theirs.filtered_state_cov, 2, 0), abs=1e-12)
    assert ours.predicted_mean == pytest.approx(theirs.predicted_state.T, abs=1e-12)
    assert ours.loglik == pytest.approx(theirs.llf_obs, abs=1e-12)
    read = ~np.isnan(readings)
    assert ours.innovation[read] == pytest.approx(theirs.forecasts_error.T[read], abs=1e-12)
    spread = np.einsum("iit->ti", theirs.forecasts_error_cov)
    assert ours.innovation_var[read] == pytest.approx(spread[read], abs=1e-12)
    assert np.isnan(ours.innovation[~read]).all()


def test_rows_taken_one_by_one_give_the_very_same_bits() -> None:
    """Stopping after every part and going on changes nothing, not even the last bit."""
    model, start, readings = _group(60)
    whole = run(model, start, readings)

    belief, means = start, []
    for row in readings:
        one = run(model, belief, row[None])
        belief = one.predicted(1)
        means.append(one.mean[0])

    assert np.array_equal(np.array(means), whole.mean)
    assert np.array_equal(belief.cov, whole.predicted_cov[-1])


def _loglik(model: Model, start: Belief, readings: Array, step: Step | None) -> float:
    return score(model, start, readings, step).loglik


def _nudged(model: Model, noise: int | None, walk: int | None, by: float) -> Model:
    noise_var, walk_var = model.noise_var.copy(), model.walk_var.copy()
    if noise is not None:
        noise_var[noise] += by
    if walk is not None:
        walk_var[walk] += by
    return Model(model.design, noise_var, model.transition, walk_var)


def _renewing_step(model: Model, rows: int, at: int) -> Step:
    """State 1 starts anew after row `at`, and state 3 gets a sudden change there."""
    transition = np.tile(model.transition, (rows, 1, 1))
    transition[at, 1] = 0.0
    walks = np.ones((rows, 5), dtype=np.bool_)
    walks[at, 1] = False
    walk_cov = np.where(walks, model.walk_var, 0.0)[:, None, :] * np.eye(5)
    walk_cov[at] += np.diag([0.0, 400.0, 0.0, 25.0, 0.0])
    return Step(transition, walk_cov, walks)


@pytest.mark.parametrize("renewed", [False, True], ids=["plain", "with a new tool and a sudden change"])
def test_the_exact_score_is_what_differences_give(renewed: bool) -> None:
    """Derivatives from the disturbance smoother equal central differences of the log-likelihood, gaps included."""
    model, start, readings = _group(40)

    def loglik(nudged: Model) -> float:
        return _loglik(nudged, start, readings, _renewing_step(nudged, 40, 20) if renewed else None)

    scored = score(model, start, readings, _renewing_step(model, 40, 20) if renewed else None)

    h = 1e-5
    for f in range(3):
        by_difference = (loglik(_nudged(model, f, None, h)) - loglik(_nudged(model, f, None, -h))) / (2 * h)
        assert scored.by_noise_var[f] == pytest.approx(by_difference, rel=1e-5)
    for k in (0, 1, 2, 4):
        by_difference = (loglik(_nudged(model, None, k, h)) - loglik(_nudged(model, None, k, -h))) / (2 * h)
        assert scored.by_walk_var[k] == pytest.approx(by_difference, rel=1e-4)


def test_a_covariance_that_is_none_is_refused() -> None:
    """The library stops quietly and leaves zeros where a covariance makes no sense; here that is an error."""
    model, _, readings = _group(20)

    with pytest.raises(np.linalg.LinAlgError):
        run(model, Belief(np.zeros(5), -50 * np.eye(5)), readings[1:4])
