"""Takes the belief about a group through its parts: known moves, new tools and sudden changes, then the readings.

Known moves are kept beside the belief, not in it: by linearity, filtering readings with the known moves taken out is
the same as moving the level, and it leaves the filter's matrices constant over long runs.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from feedback.trend.priors import Parameters, Priors
from feedback.trend.shape import States
from feedback.trend.statespace import Array, Belief, Flags, Model, Run, run

SETTER_WALK_UM = 0.2  # per part: a tool setter warms up and gets dirty too (common practice: some um over a shift)


@dataclass(frozen=True, slots=True)
class Position:
    """Between two parts: the belief about the next one with known moves taken out, and those moves."""

    belief: Belief
    known: Array  # R


@dataclass(frozen=True, slots=True)
class Sheet:
    """n parts in columns. `shock` is extra variance of each state where a sudden change was recognised.

    Where a new tool stands, `moved` is where its register's error is expected, and `shock` the variance of that beside
    the one of any new tool: below zero where earlier edges have shown what to expect.
    """

    parts: list[str]
    readings: Array  # n x F, nan: missing
    moved: Array  # n x R
    fresh: Flags  # n x R
    shock: Array  # n x K

    def __len__(self) -> int:
        return len(self.parts)

    def __getitem__(self, rows: slice) -> "Sheet":
        return Sheet(self.parts[rows], self.readings[rows], self.moved[rows], self.fresh[rows], self.shock[rows])


@dataclass(frozen=True, slots=True)
class Piece:
    """A run of parts between events. `known` (n x R) is what to add to the levels of `run`."""

    first: int
    run: Run
    known: Array

    def levels_restored(self) -> Array:
        """n x K filtered states with the known moves back in."""
        mean = self.run.mean.copy()
        mean[:, : self.known.shape[1]] += self.known
        return mean

    def position(self, taken: int) -> Position:
        """Where the group stands after the first `taken` (at least 1) parts of this piece."""
        return Position(self.run.predicted(taken), self.known[taken - 1])


def model_of(states: States, parameters: Parameters) -> Model:
    """The compiled filter's matrices under `parameters`."""
    walk_var = np.zeros(states.count)
    walk_var[: states.registers] = np.square(parameters.walk_um)
    for index in states.slope:
        if index is not None:
            walk_var[index] = parameters.slope_walk_um**2
    walk_var[list(states.setter_own)] = SETTER_WALK_UM**2
    return Model(states.design, np.square(parameters.noise_um), states.transition, walk_var)


def prior_var(states: States, priors: Priors, level_um: float) -> Array:
    """K: variances of states nobody has seen yet."""
    var = np.full(states.count, priors.slope_um**2)
    var[: states.registers] = level_um**2
    for index in states.own:
        if index is not None:
            var[index] = priors.own_offset_um**2
    var[list(states.setter_own)] = priors.setter_offset_um**2
    return var


def prior_cov(states: States, priors: Priors, level_um: float) -> Array:
    """K x K: likewise with the own offsets tied together, since none of them is what a register could take away."""
    own = [index for index in states.own if index is not None and index not in states.setter_own]
    var = prior_var(states, priors, level_um)
    var[own] = 0.0
    cov: Array = np.diag(var) + priors.own_offset_um**2 * states.own_shares
    return cov


def set_up(states: States, priors: Priors) -> Position:
    """Before the first part."""
    cov = prior_cov(states, priors, priors.first_level_um)
    return Position(Belief(np.zeros(states.count), cov), np.zeros(states.registers))


def renewed(states: States, priors: Priors, belief: Belief, fresh: Flags) -> Belief:
    """New tools in `fresh` registers: their own states start anew, all others and the own offsets stay."""
    own = states.belonging_to(fresh)
    cov = np.where(own[:, None] | own[None, :], 0.0, belief.cov)
    cov[own, own] = prior_var(states, priors, priors.new_tool_level_um)[own]
    return Belief(np.where(own, 0.0, belief.mean), cov)


def entered(states: States, priors: Priors, position: Position, moved: Array, fresh: Flags, shock: Array) -> Position:
    """The belief about a part once its known moves, new tools and sudden change are counted, before it is read."""
    belief, known = position.belief, position.known + moved
    if fresh.any():
        belief = renewed(states, priors, belief, fresh)
        known = np.where(fresh, moved, known)
    if shock.any():
        belief = Belief(belief.mean, belief.cov + np.diag(shock))
    return Position(belief, known)


def without_known(states: States, readings: Array, known: Array) -> Array:
    """`readings` (n x F) with what the known moves (n x R) put into them taken out.

    Register by register and not as a matrix product: a product may round one row and many rows differently.
    """
    left = readings.copy()
    for register in range(states.registers):
        left -= known[:, register, None] * states.sensitivity[None, :, register]
    return left


def follow(states: States, priors: Priors, model: Model, position: Position, sheet: Sheet) -> Iterator[Piece]:
    """Filter `sheet` from `position`, one piece for every stretch without a new tool or sudden change."""
    events = np.flatnonzero(sheet.fresh[1:].any(axis=1) | sheet.shock[1:].any(axis=1)) + 1
    for first, end in zip([0, *events], [*events, len(sheet)], strict=True):
        position = entered(states, priors, position, sheet.moved[first], sheet.fresh[first], sheet.shock[first])
        known = np.cumsum(np.vstack([position.known, sheet.moved[first + 1 : end]]), axis=0)
        done = run(model, position.belief, without_known(states, sheet.readings[first:end], known))
        piece = Piece(int(first), done, known)
        position = piece.position(int(end - first))
        yield piece
