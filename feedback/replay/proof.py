"""Would a change made before a part have shown itself in the parts since? Worked out for every part at once. Pure.

`feedback.effect` holds the readings after a change against the belief from before it, with the gain of the change as
one more unknown. A replayed change does in its readings exactly what it promises, so what that estimate can be off by
depends on the parts alone, not on the change: a step in the readings that nobody made. It is estimated here once for
every part the change could have come before, and serves every setting of the limits: for a change of c micrometres
the gain is 1 + step / c, and its standard deviation that of the step / c.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from feedback.effect import (
    CLEAR_SD,
    CONTRADICTING_PARTS,
    LEAST_PARTS,
    MOST_PARTS,
    MOST_ROWS,
    NEAR_ONE,
    NEW_TOOL_SD_UM,
    RATE_BENDS,
    SD_95,
    SD_CONTRADICTING,
    UNKNOWN_GAIN_SD,
    YOUNG_PARTS,
    YOUNG_RATE,
)
from feedback.replay.past import GroupPast

if TYPE_CHECKING:
    from feedback.trend.shape import States

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]

WIDE_VAR: Final = 1e6  # um^2 of the step before anything was read; taken out again afterwards
STARTS_AT_ONCE: Final = 4096


@dataclass(frozen=True, slots=True)
class Steps:
    """For a change that first acts on row k, after row k + w: the step nobody made, its spread, the parts behind it.

    All n x W; the spread is inf until there is a reading.
    """

    step_um: Floats
    sd_um: Floats
    parts: Counts


def steps(past: GroupPast, column: int) -> Steps:
    """The steps of one register of `past`."""
    read = _believed(past)
    touched = (read & (past.sensitivity[:, column] != 0)).any(axis=1)
    width = _width(touched)
    step, sd = np.full((len(past), width), np.nan), np.full((len(past), width), np.inf)
    for begin in range(1, len(past), STARTS_AT_ONCE):
        rows = np.arange(begin, min(len(past), begin + STARTS_AT_ONCE))
        step[rows], sd[rows] = _estimated(past, column, rows, width, read)
    return Steps(step, sd, _counted(touched, width))


def _believed(past: GroupPast) -> Flags:
    return np.asarray(~np.isnan(past.read_um) & ~past.wild, dtype=np.bool_)


def _counted(touched: Flags, width: int) -> Counts:
    total = np.concatenate([[0], np.cumsum(touched), np.full(width, int(touched.sum()))])
    rows = np.arange(len(touched))
    return np.stack([total[rows + w + 1] - total[rows] for w in range(width)], axis=1).astype(np.int64)


def _width(touched: Flags) -> int:
    """Rows within which every change is told from nothing, or given up."""
    at = np.flatnonzero(touched)
    if len(at) <= MOST_PARTS:
        return min(MOST_ROWS, len(touched))
    longest = int(np.max(at[MOST_PARTS:] - at[:-MOST_PARTS]))
    return min(MOST_ROWS, longest + 1, len(touched))


def _estimated(past: GroupPast, column: int, rows: Counts, width: int, read: Flags) -> tuple[Floats, Floats]:
    transition, design = _with_step(past.outlooks.states, column)
    start = _before(past, rows)
    _bring_in_what_had_moved(past, rows, start, transition, design)
    step, sd = np.full((len(rows), width), np.nan), np.full((len(rows), width), np.inf)
    for w in range(width):
        at = np.minimum(rows + w, len(past) - 1)
        _take(past, at, start, transition, design, read[at] & (rows + w < len(past))[:, None])
        step[:, w], sd[:, w] = _without_prior(start.mean[:, -1], start.cov[:, -1, -1])
    return step, sd


def _bring_in_what_had_moved(
    past: GroupPast, rows: Counts, start: "_Beliefs", transition: Floats, design: Floats
) -> None:
    """Where the part before was left out and the next one showed the same, begin before it, as `feedback.effect` does.

    Known with the row itself, so nothing looks ahead.
    """
    repeated = (rows > 1) & past.wild[rows - 1].any(axis=1) & past.outlooks.jumped[rows].any(axis=1)
    if not repeated.any():
        return
    without = design.copy()
    without[:, -1] = 0.0
    left_out = rows[repeated] - 1
    earlier = _before(past, left_out)
    _take(past, left_out, earlier, transition, without, ~np.isnan(past.read_um[left_out]))
    start.mean[repeated], start.cov[repeated] = earlier.mean, earlier.cov
    start.walk[repeated], start.noise[repeated] = earlier.walk, earlier.noise


def _take(past: GroupPast, at: Counts, some: "_Beliefs", transition: Floats, design: Floats, seen: Flags) -> None:
    """One part of every start, in place: row `at`, of which the readings `seen` count (n x F)."""
    registers, centre = past.outlooks.states.registers, (past.lower_um + past.upper_um) / 2
    _go_on(some.mean, some.cov, transition, some.walk, 1 + past.passed[at])
    some.mean[:, :registers] += np.where(past.fresh[at], 0.0, past.hand_um[at] + past.entry_um[at])
    levels = np.einsum("nkk->nk", some.cov)[:, :registers]
    levels += np.where(past.fresh[at], NEW_TOOL_SD_UM**2, 0.0)
    for feature in range(len(past.group.features)):
        off = np.where(seen[:, feature], past.read_um[at, feature] - centre[feature], 0.0)
        _update(some.mean, some.cov, design[feature], off, some.noise[:, feature], seen[:, feature])


def _with_step(states: "States", column: int) -> tuple[Floats, Floats]:
    """Transition and design with a step of the register as the last state."""
    transition = np.eye(states.count + 1)
    transition[:-1, :-1] = states.transition
    return transition, np.column_stack([states.design, states.sensitivity[:, column]])


@dataclass(frozen=True, slots=True)
class _Beliefs:
    """What was known before each start, with room for the step: n x K, n x K x K; walks n x K, noise n x F."""

    mean: Floats
    cov: Floats
    walk: Floats
    noise: Floats


def _before(past: GroupPast, rows: Counts) -> _Beliefs:
    """The beliefs after the rows before, made ready as `feedback.effect` does."""
    known = past.outlooks
    size = known.mean.shape[1] + 1
    mean, cov, walk = np.zeros((len(rows), size)), np.zeros((len(rows), size, size)), np.zeros((len(rows), size))
    mean[:, :-1], cov[:, :-1, :-1], cov[:, -1, -1] = known.mean[rows - 1], known.cov[rows - 1], WIDE_VAR
    walk[:, :-1] = known.walk_var[rows - 1]
    for register, slope in enumerate(known.states.slope):
        if slope is not None:
            is_young = known.parts[rows - 1, register] <= YOUNG_PARTS
            cov[:, slope, slope] += np.where(is_young, np.square(YOUNG_RATE * mean[:, slope]), 0.0)
            walk[:, slope] += RATE_BENDS**2 * (np.square(mean[:, slope]) + cov[:, slope, slope])
    return _Beliefs(mean, cov, walk, known.noise_var[rows - 1])


def _go_on(mean: Floats, cov: Floats, transition: Floats, walk: Floats, parts: Counts) -> None:
    """Every start so many parts on, in place."""
    for done in range(int(parts.max(initial=0))):
        on: Any = slice(None) if (parts > done).all() else parts > done
        mean[on] = mean[on] @ transition.T
        moved = transition @ cov[on] @ transition.T
        np.einsum("nkk->nk", moved)[...] += walk[on]
        cov[on] = moved


def _update(mean: Floats, cov: Floats, design: Floats, off: Floats, noise: Floats, seen: Flags) -> None:
    """One reading of every start, in place; nothing where it was not `seen`."""
    shared = cov @ design
    weight = shared / (shared @ design + noise)[:, None]
    weight[~seen] = 0.0
    mean += weight * (off - mean @ design)[:, None]
    cov -= weight[:, :, None] * shared[:, None, :]


def _without_prior(mean: Floats, var: Floats) -> tuple[Floats, Floats]:
    """The estimate as if nothing had been known of the step before."""
    precision = 1.0 / var - 1.0 / WIDE_VAR
    is_told = precision > 1e-3 / WIDE_VAR
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(is_told, mean / var / precision, np.nan), np.where(is_told, 1.0 / np.sqrt(precision), np.inf)


@dataclass(frozen=True, slots=True)
class Proof:
    """Of changes under watch: whether the watch is over, the register has to wait, the effect is said to be another."""

    is_over: Flags
    is_unproven: Flags
    contradicts: Flags


def proof(change_um: Floats, step_um: Floats, sd_um: Floats, parts: Counts, rows: Counts, least: Floats) -> Proof:
    """As `feedback.effect.status_of` judges; flat arrays. `least` is what `settle` asks for."""
    gain, sd = gain_of(change_um, step_um, sd_um)
    least = np.maximum(LEAST_PARTS, least)
    is_last = (parts >= MOST_PARTS) | (rows >= MOST_ROWS)
    is_near_one = (gain > NEAR_ONE[0]) & (gain <= NEAR_ONE[1])
    looks = (_may_be(gain, sd, 1.0) | is_near_one) & ~_may_be(gain, sd, 0.0)
    told = (parts >= CONTRADICTING_PARTS) & (sd < CLEAR_SD)
    wrong_way = told & (gain + SD_CONTRADICTING * sd < 0)
    confirmed = looks & (is_last | ~(_may_be(gain, sd, 0.5) | _may_be(gain, sd, 2.0)))
    other = told & ~_may_be(gain, sd, 1.0, SD_CONTRADICTING) & ~is_near_one
    is_due = (parts >= least) | is_last
    is_over = is_due & (wrong_way | confirmed | other | is_last)
    contradicts = is_due & (wrong_way | (~confirmed & other))
    return Proof(is_over, ~is_over & ((parts < least) | ~looks), contradicts)


def gain_of(change_um: Floats, step_um: Floats, sd_um: Floats) -> tuple[Floats, Floats]:
    """Gain and its standard deviation, with what `feedback.effect` takes for known before anything is read."""
    told = np.where(np.isfinite(sd_um), np.square(change_um / sd_um), 0.0)
    precision = told + 1.0 / UNKNOWN_GAIN_SD**2
    mean = told * (1.0 + np.where(told > 0, step_um, 0.0) / change_um) / precision
    return mean, 1.0 / np.sqrt(precision)


def _may_be(gain: Floats, sd: Floats, value: float, deviations: float = SD_95) -> Flags:
    return (gain - deviations * sd <= value) & (value <= gain + deviations * sd)
