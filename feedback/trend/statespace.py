"""The compiled Kalman filter: the only place that knows statsmodels.

Micrometres in, micrometres out: in millimetres variances get so small that the filter believes it has reached a steady
state when it has not. The compiled classes are used directly because a live row must not pay for building a results
object (0.3 ms against 0.03 ms); the tests hold them to the public class, and the version is pinned.
"""

from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_CONVENTIONAL = 0x01  # filter method and smoother method of that name
_SOLVE_CHOLESKY = 0x01 | 0x08  # plain division where there is one reading
_FORCE_SYMMETRY = 0x01
_KEEP_FOR_FILTERING = 0x80 | 0x100 | 0x200  # forget gains, smoother inputs and standardised errors
_KEEP_ALL = 0
_NEVER_STEADY = 0.0  # tolerance: never stop updating the covariance
_SMOOTH_DISTURBANCES = 0x04 | 0x08


@dataclass(frozen=True, slots=True)
class Belief:
    """A normal distribution of the K states."""

    mean: Array
    cov: Array


@dataclass(frozen=True)
class Model:
    """reading = design @ state + noise; next state = transition @ state + walk, all noises independent."""

    design: Array  # F x K
    noise_var: Array  # F
    transition: Array  # K x K
    walk_var: Array  # K

    @cached_property
    def matrices(self) -> tuple[Array, ...]:
        """As the compiled filter takes them: design and its intercept, noise, transition and its, selection, walk."""
        features, states = self.design.shape
        return (
            _column_major(self.design),
            np.zeros((features, 1), order="F"),
            _column_major(np.diag(self.noise_var)),
            _column_major(self.transition),
            np.zeros((states, 1), order="F"),
            _column_major(np.eye(states)),
            _column_major(np.diag(self.walk_var)),
        )


@dataclass(frozen=True, slots=True)
class Run:
    """What the filter made of n rows: filtered states, innovations with their own variances, and predicted states."""

    mean: Array  # n x K
    cov: Array  # n x K x K
    innovation: Array  # n x F, nan where there was no reading
    innovation_var: Array  # n x F
    loglik: Array  # n
    predicted_mean: Array  # (n+1) x K, each row before it is read
    predicted_cov: Array  # (n+1) x K x K

    def predicted(self, row: int) -> Belief:
        """The belief about `row` (0 to n) before it is read."""
        return Belief(self.predicted_mean[row].copy(), self.predicted_cov[row].copy())


@dataclass(frozen=True, slots=True)
class Score:
    """Log-likelihood of n rows, its exact derivatives, and how much the rows can tell at the very least.

    An information is that about the logarithm of a standard deviation, from each row by itself.
    """

    loglik: float
    by_noise_var: Array  # F
    by_walk_var: Array  # K
    noise_information: Array  # F
    walk_information: Array  # K


@dataclass(frozen=True, slots=True)
class Step:
    """How the states get from one row to the next where it is not by the model's own transition."""

    transition: Array  # n x K x K, entry t leads from row t to row t+1
    walk_cov: Array  # n x K x K
    walks: Flags  # n x K: the model's own walk variance is part of this step


@cache
def _compiled() -> tuple[Any, Any, Any]:
    from statsmodels.tsa.statespace._kalman_filter import dKalmanFilter
    from statsmodels.tsa.statespace._kalman_smoother import dKalmanSmoother
    from statsmodels.tsa.statespace._representation import dStatespace

    return dStatespace, dKalmanFilter, dKalmanSmoother


def _column_major(matrix: Array) -> Array:
    return np.array(matrix[:, :, None], dtype=np.float64, order="F")


def _time_last(matrices: Array) -> Array:
    return np.asfortranarray(np.moveaxis(matrices, 0, 2))


def _in_place(packed: Array, read: Flags) -> Array:
    """Put n x F values back under their features: the filter moves what was read to the front of a row with gaps."""
    if read.all():
        return packed
    order = np.argsort(~read, axis=1, kind="stable")
    placed = np.empty_like(packed)
    np.put_along_axis(placed, order, packed, axis=1)
    return placed


def _filtered(model: Model, start: Belief, readings: Array, keep: int, step: Step | None = None) -> tuple[Any, Any]:
    representation, kalman_filter, _ = _compiled()
    design, lift, noise, transition, drift, selection, walk = model.matrices
    if step is not None:
        transition, walk = _time_last(step.transition), _time_last(step.walk_cov)
    observed = np.array(readings.T, dtype=np.float64, order="F")
    space = representation(observed, design, lift, noise, transition, drift, selection, walk)
    space.initialize_known(np.array(start.mean), np.array(start.cov, order="F"))
    compiled = kalman_filter(space, _CONVENTIONAL, _SOLVE_CHOLESKY, _FORCE_SYMMETRY, keep, 0, _NEVER_STEADY, 0)
    compiled()
    # where a covariance is not positive definite the compiled filter stops without a word and leaves zeros behind
    was_read = ~np.isnan(readings).all(axis=1)
    if not np.all(np.asarray(compiled.forecast_error_cov)[0, 0, was_read] > 0):
        raise np.linalg.LinAlgError("the covariance of what is expected is not positive definite")
    return space, compiled


def run(model: Model, start: Belief, readings: Array) -> Run:
    """Filter `readings` (n x F um, nan = missing, n >= 1); `start` is the belief before the first row is read.

    Raises numpy.linalg.LinAlgError where a covariance is not positive definite.
    """
    _, done = _filtered(model, start, readings, _KEEP_FOR_FILTERING)
    rows = readings.shape[0]
    read = ~np.isnan(readings)
    innovation_var = np.einsum("iit->ti", np.asarray(done.forecast_error_cov))
    return Run(
        mean=np.array(np.asarray(done.filtered_state).T[:rows], order="C"),
        cov=np.array(np.asarray(done.filtered_state_cov).transpose(2, 0, 1)[:rows], order="C"),
        innovation=np.where(read, _in_place(np.asarray(done.forecast_error).T, read), np.nan),
        innovation_var=np.where(read, _in_place(innovation_var, read), np.nan),
        loglik=np.array(done.loglikelihood),
        predicted_mean=np.asarray(done.predicted_state).T,
        predicted_cov=np.asarray(done.predicted_state_cov).transpose(2, 0, 1),
    )


def score(model: Model, start: Belief, readings: Array, step: Step | None = None) -> Score:
    """Log-likelihood of `readings` (n x F) and its exact derivatives by every variance.

    From one pass of the disturbance smoother: Koopman & Shephard, Biometrika 79 (1992) 823-826.
    """
    space, done = _filtered(model, start, readings, _KEEP_ALL, step)
    smoother = _compiled()[2](space, done, _SMOOTH_DISTURBANCES, _CONVENTIONAL)
    smoother()
    rows = readings.shape[0]
    read = ~np.isnan(readings)
    disturbance = _in_place(np.asarray(smoother.smoothed_measurement_disturbance).T, read)
    spread = _in_place(np.einsum("iit->ti", np.asarray(smoother.smoothed_measurement_disturbance_cov)), read)
    learnt = np.where(read, 1 - spread / model.noise_var, 0.0)
    by_noise = np.where(read, (disturbance / model.noise_var) ** 2, 0.0) - learnt / model.noise_var
    # what the later rows say about each step: estimator r and its precision N; the last step is followed by nothing
    estimator = np.asarray(smoother.scaled_smoothed_estimator).T[1:rows]
    precision = np.einsum("iit->ti", np.asarray(smoother.scaled_smoothed_estimator_cov))[1:rows]
    walks = np.ones_like(precision, dtype=np.bool_) if step is None else step.walks[: rows - 1]
    return Score(
        loglik=float(np.sum(done.loglikelihood)),
        by_noise_var=by_noise.sum(axis=0) / 2,
        by_walk_var=np.where(walks, estimator**2 - precision, 0.0).sum(axis=0) / 2,
        noise_information=2 * np.square(learnt).sum(axis=0),
        walk_information=2 * np.square(np.where(walks, precision * model.walk_var, 0.0)).sum(axis=0),
    )
