"""Parameters from the last parts: maximum a posteriori, so that three parts give an honest answer and none collapses.

Fitted are every feature's noise, one walk per kind of register and one walk for all slopes, each on a log scale
with a log-normal prior.
"""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from feedback.trend.follow import Position, Sheet, entered, model_of, prior_cov, prior_var, without_known
from feedback.trend.priors import Parameters, Priors, prior_parameters
from feedback.trend.shape import States
from feedback.trend.statespace import Array, Belief, Flags, Score, Step, score

VAGUE_LEVEL_UM = 1000.0  # where the window does not begin at set-up, its first level is anybody's guess
FURTHEST_SD = 4.0  # no parameter goes further from its prior than this many of the prior's standard deviations
FLAT_ENOUGH = 0.05  # gradient at which the fit stops: no parameter is off by a tenth of its own uncertainty
STILL_FLAT = 0.5  # a line search that gave up this close to the top has found it for every practical purpose
CLOSE_ENOUGH = 1e-6  # relative gain of the log density below which it stops: about 1e-3 in all, worth nothing
MOST_ITERATIONS = 60
FAR_SD = 1.5  # parameters further than this from their priors are no safe place to begin a search from
FINEST_UM = 0.01  # no reading is printed finer
COARSEST_UM = 25.4  # a thousandth of an inch: nothing probed is printed coarser
DIFFERENT = 3  # readings from which on their common step is believed to be that of the print
# The most likely spread is smaller than the mean one, and an interval built on it too narrow. For a log-normal the mean
# variance lies one variance of the logarithm above the mode. Of 95 % intervals from three parts on, 92 % held the truth
# without any caution, 94 to 95 % with these (150 simulated groups of four shapes each; see tests/trend).
NOISE_CAUTION = 1.0
WALK_CAUTION = 0.5


@dataclass(frozen=True, slots=True)
class Fit:
    """`parameters` is None where the fit failed; `complaint` then says how, in words."""

    parameters: Parameters | None
    complaint: str | None


@dataclass(frozen=True, slots=True)
class _Window:
    """The parts the parameters are fitted to, ready for the filter."""

    start: Belief
    readings: Array
    step: Step | None
    least_noise_um: Array  # F


@dataclass(frozen=True, slots=True)
class _Scale:
    """Between parameters and the vector of their logarithms: noises, one walk per kind, the slope walk."""

    states: States
    priors: Priors

    @property
    def _kinds(self) -> list[str]:
        return sorted(set(self.states.shape.register_kinds))

    @property
    def _kind_of(self) -> list[int]:
        return [self._kinds.index(kind) for kind in self.states.shape.register_kinds]

    @property
    def _has_slopes(self) -> bool:
        return "tool" in self._kinds

    def theta(self, parameters: Parameters) -> Array:
        walks = [parameters.walk_um[self._kind_of.index(kind)] for kind in range(len(self._kinds))]
        slopes = [parameters.slope_walk_um] if self._has_slopes else []
        return np.log([*parameters.noise_um, *walks, *slopes])

    def parameters(self, theta: Array) -> Parameters:
        features = self.states.features
        sizes = np.exp(theta)
        return Parameters(
            noise_um=tuple(float(size) for size in sizes[:features]),
            walk_um=tuple(float(sizes[features + kind]) for kind in self._kind_of),
            slope_walk_um=float(sizes[-1]) if self._has_slopes else self.priors.slope_walk_um,
        )

    def prior(self) -> tuple[Array, Array]:
        """Mean and standard deviation of the logarithms."""
        priors, states = self.priors, self.states
        mean = self.theta(prior_parameters(priors, states.shape.register_kinds, states.features, states.shape.setters))
        factors = [priors.noise_factor] * states.features + [priors.walk_factor] * len(self._kinds)
        return mean, np.log(factors + ([priors.slope_walk_factor] if self._has_slopes else []))

    def spread(self, scored: Score) -> Array:
        """Standard deviations of the logarithms once the readings have been seen, rather too wide than too narrow."""
        features, registers = self.states.features, self.states.registers
        information = 1 / self.prior()[1] ** 2
        information[:features] += scored.noise_information
        np.add.at(information, features + np.array(self._kind_of), scored.walk_information[:registers])
        if self._has_slopes:
            information[-1] += sum(scored.walk_information[index] for index in self.states.slope if index is not None)
        return 1 / np.sqrt(information)

    def caution(self) -> Array:
        """How far from the most likely logarithm towards that of the mean variance, in its posterior variances."""
        caution = np.full_like(self.prior()[0], WALK_CAUTION)
        caution[: self.states.features] = NOISE_CAUTION
        return caution

    def gradient(self, theta: Array, scored: Score) -> Array:
        """The score by the logarithms: d var = 2 var d log sd."""
        features, registers = self.states.features, self.states.registers
        by_var = np.zeros_like(theta)
        by_var[:features] = scored.by_noise_var
        np.add.at(by_var, features + np.array(self._kind_of, dtype=np.intp), scored.by_walk_var[:registers])
        if self._has_slopes:
            by_var[-1] = sum(scored.by_walk_var[index] for index in self.states.slope if index is not None)
        gradient: Array = 2 * np.exp(2 * theta) * by_var
        return gradient


def fitted(states: States, priors: Priors, sheet: Sheet, begin_from: Parameters, *, at_set_up: bool) -> Fit:
    """The parameters that explain `sheet` best, given the priors, a little on the cautious side.

    `at_set_up` says that the sheet begins with the group's very first part. Never raises for what the readings are:
    a fit that fails says so and gives nothing.
    """
    scale = _Scale(states, priors)
    scores = _Scores(scale, _window(states, priors, sheet, at_set_up))
    try:
        best, complaint = _most_likely(scale, scores, begin_from)
        if complaint is not None:
            return Fit(None, f"{complaint}; earlier parameters stay in force")
        left = scale.spread(scores.at(best))
    except np.linalg.LinAlgError:
        return Fit(None, "the fit met a covariance that is none; earlier parameters stay in force")
    return Fit(scale.parameters(best + scale.caution() * left**2), None)


@dataclass(frozen=True, slots=True)
class _Scores:
    """What a window says at logarithms of the parameters; a search comes back to where it has been."""

    scale: _Scale
    window: _Window
    _known: dict[bytes, Score] = field(default_factory=dict)

    def at(self, theta: Array) -> Score:
        place = theta.tobytes()
        if place not in self._known:
            self._known[place] = _scored(self.scale.states, self.window, self.scale.parameters(theta))
        return self._known[place]


@dataclass(frozen=True, slots=True)
class _Top:
    """Where a search ended."""

    theta: Array
    cost: float  # negative log of the posterior density there
    complaint: str | None


def _most_likely(scale: _Scale, scores: _Scores, begin_from: Parameters) -> tuple[Array, str | None]:
    """The logarithms with the highest posterior density, and what was wrong with the search, if anything.

    Where the search begins far from the priors, or finds nothing, it may sit on a lower top: then the priors are a
    second place to begin from.
    """
    centre, spread = scale.prior()
    begin = scale.theta(begin_from)
    top = _searched(scale, scores, begin)
    if top.complaint is not None or np.max(np.abs(begin - centre) / spread) > FAR_SD:
        other = _searched(scale, scores, centre)
        if other.complaint is None and (top.complaint is not None or other.cost < top.cost):
            top = other
    return top.theta, top.complaint


def _searched(scale: _Scale, scores: _Scores, begin: Array) -> _Top:
    from scipy.optimize import minimize

    centre, spread = scale.prior()
    lowest, highest = centre - FURTHEST_SD * spread, centre + FURTHEST_SD * spread
    least_um = scores.window.least_noise_um
    noises = slice(least_um.size)
    lowest[noises] = np.maximum(lowest[noises], np.log(least_um))
    begin = np.clip(begin, lowest, highest)
    # steps in units of what is left to learn about each parameter: the top is then round, and soon reached
    unit = scale.spread(scores.at(begin))

    def cost(steps: Array) -> tuple[float, Array]:
        theta = begin + steps * unit
        scored = scores.at(theta)
        away = (theta - centre) / spread
        return 0.5 * float(away @ away) - scored.loglik, (away / spread - scale.gradient(theta, scored)) * unit

    found = minimize(
        cost,
        np.zeros_like(begin),
        jac=True,
        method="L-BFGS-B",
        bounds=list(zip((lowest - begin) / unit, (highest - begin) / unit, strict=True)),
        options={"maxiter": MOST_ITERATIONS, "gtol": FLAT_ENOUGH, "ftol": CLOSE_ENOUGH},
    )
    return _Top(begin + found.x * unit, float(found.fun), _complaint(found))


def _complaint(found: Any) -> str | None:
    if not np.isfinite(found.fun) or not np.all(np.isfinite(found.x)):
        return "the fit gave values that are no numbers"
    if not found.success and np.max(np.abs(found.jac)) > STILL_FLAT:
        return f"the fit did not converge in {found.nit} steps"
    return None


def _scored(states: States, window: _Window, parameters: Parameters) -> Score:
    model = model_of(states, parameters)
    step = window.step
    if step is not None:
        walk_cov = step.walk_cov + np.where(step.walks, model.walk_var, 0.0)[:, None, :] * np.eye(states.count)
        step = Step(step.transition, walk_cov, step.walks)
    return score(model, window.start, window.readings, step)


def _window(states: States, priors: Priors, sheet: Sheet, at_set_up: bool) -> _Window:
    level_um = priors.first_level_um if at_set_up else VAGUE_LEVEL_UM
    nobody_knows = Belief(np.zeros(states.count), prior_cov(states, priors, level_um))
    start = Position(nobody_knows, np.zeros(states.registers))
    begin = entered(states, priors, start, sheet.moved[0], sheet.fresh[0], sheet.shock[0])
    known = _known_moves(begin.known, sheet)
    readings = without_known(states, sheet.readings, known)
    return _Window(begin.belief, readings, _steps(states, priors, sheet), least_noise_um(sheet.readings))


def least_noise_um(readings: Array) -> Array:
    """F: what rounding alone scatters by, for readings that are all whole multiples of the same step apart.

    A step is believed up to `COARSEST_UM`, and from so many different readings on that a finer one would have shown.
    """
    steps_um = [max(_step_um(column[~np.isnan(column)]), FINEST_UM) for column in readings.T]
    return np.asarray(steps_um, dtype=np.float64) / math.sqrt(12)


def _step_um(readings: Array) -> float:
    steps = np.unique(np.rint((readings - readings[:1]) / FINEST_UM).astype(np.int64))
    if steps.size < DIFFERENT:
        return 0.0
    step_um = float(np.gcd.reduce(steps)) * FINEST_UM
    return step_um if step_um <= COARSEST_UM else 0.0


def _known_moves(known: Array, sheet: Sheet) -> Array:
    rows = [known]
    for moved, fresh in zip(sheet.moved[1:], sheet.fresh[1:], strict=True):
        rows.append(np.where(fresh, moved, rows[-1] + moved))
    return np.array(rows)


def _steps(states: States, priors: Priors, sheet: Sheet) -> Step | None:
    """The steps between parts where new tools or sudden changes interrupt the model's own; None: none do."""
    events = np.flatnonzero(sheet.fresh[1:].any(axis=1) | sheet.shock[1:].any(axis=1))
    if not events.size:
        return None
    rows, count = len(sheet), states.count
    transition = np.tile(states.transition, (rows, 1, 1))
    walk_cov = np.zeros((rows, count, count))
    walks: Flags = np.ones((rows, count), dtype=np.bool_)
    new = prior_var(states, priors, priors.new_tool_level_um)
    for t in events:
        renewed = states.belonging_to(sheet.fresh[t + 1])
        transition[t][renewed] = 0.0  # rows only: what a worn-out state was must still reach nothing, itself included
        walks[t] = ~renewed
        walk_cov[t] = np.diag(np.where(renewed, new, 0.0) + sheet.shock[t + 1])
    return Step(transition, walk_cov, walks)
