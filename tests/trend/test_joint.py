"""Readings seen together, over up to three parts, against weighing all of them at once."""

import numpy as np
import pytest

from feedback.trend.follow import model_of, set_up
from feedback.trend.joint import LASTING_SD, Looks, Signs, looks_at, no_looks, signatures_of, signs
from feedback.trend.shape import GroupShape, States
from feedback.trend.statespace import Model, run
from feedback.trend.tracker import Priors
from tests.trend.shop import TOOL_AND_WORK, usual

THREE_SIZES = GroupShape(("tool",), ((-2.0,), (2.0,), (-2.0,)))
NAN = np.nan


def _looked(shape: GroupShape, readings: np.ndarray) -> tuple[Model, Looks, States]:
    states, priors = States(shape), Priors()
    model = model_of(states, usual(shape))
    return model, looks_at(model, run(model, set_up(states, priors).belief, readings)), states


def _told(shape: GroupShape, readings: np.ndarray) -> Signs:
    model, looks, states = _looked(shape, readings)
    return signs(model, signatures_of(states), looks)


def _all_at_once(shape: GroupShape, readings: np.ndarray, first: int, signature: np.ndarray) -> float:
    """Generalised least squares on the stacked parts from `first` on, given what the parts before them said."""
    states, parameters = States(shape), usual(shape)
    model = model_of(states, parameters)
    belief = run(model, set_up(states, Priors()).belief, readings[:first]).predicted(first)
    rows, walk = len(readings) - first, np.diag(model.walk_var)
    ways = [np.linalg.matrix_power(model.transition, k) for k in range(rows)]
    design = [model.design @ way for way in ways]
    cov = np.zeros((rows, states.features, rows, states.features))
    for a in range(rows):
        for b in range(rows):
            cov[a, :, b] = design[a] @ belief.cov @ design[b].T
            for step in range(1, min(a, b) + 1):
                cov[a, :, b] += (model.design @ ways[a - step]) @ walk @ (model.design @ ways[b - step]).T
        cov[a, :, a] += np.diag(model.noise_var)
    off = np.concatenate([readings[first + k] - design[k] @ belief.mean for k in range(rows)])
    read = ~np.isnan(off)
    size = rows * states.features
    weight = np.linalg.inv(cov.reshape(size, size)[np.ix_(read, read)])
    stacked = np.tile(signature, rows)[read]
    return float(stacked @ weight @ off[read] / np.sqrt(stacked @ weight @ stacked))


@pytest.mark.parametrize("shape", [THREE_SIZES, TOOL_AND_WORK], ids=["one tool", "tool and work"])
@pytest.mark.parametrize("back", [0, 1, 2])
def test_parts_seen_one_by_one_tell_what_they_tell_at_once(shape: GroupShape, back: int) -> None:
    """For every signature the sign is that of all readings weighed in one go, gaps included."""
    readings = np.random.default_rng(8).normal(0, 4.0, (9, 3))
    readings[7, 1] = NAN

    told = _told(shape, readings)

    for j, signature in enumerate(signatures_of(States(shape)).table):
        wanted = _all_at_once(shape, readings, 8 - back, signature)
        assert told.stays[8, back, j] == pytest.approx(wanted, abs=1e-9)


def test_good_parts_scatter_by_one() -> None:
    """Where nothing changed each sign is a normal variable of spread 1, and hardly one in 100 000 counts as lasting."""
    states, parameters = States(THREE_SIZES), usual(THREE_SIZES)
    rng = np.random.default_rng(5)
    parts = 4000
    level = np.cumsum(rng.normal(0, parameters.walk_um[0], parts))
    readings = level[:, None] * states.sensitivity[:, 0] + rng.normal(0, parameters.noise_um[0], (parts, 3))

    model = model_of(states, parameters)
    looks = looks_at(model, run(model, set_up(states, Priors()).belief, readings))
    told = signs(model, signatures_of(states), looks)

    assert told.stays[200:].std(axis=0) == pytest.approx(1.0, abs=0.08)
    assert told.lasting()[200:].sum() <= 1


def test_a_part_alone_never_lasts() -> None:
    """However far off one part is: that it will stay takes a second one."""
    readings = np.zeros((12, 3))
    readings[11] = [-400.0, 400.0, -400.0]

    told = _told(THREE_SIZES, readings)

    assert np.abs(told.stays[11, 0]).max() > 10 * LASTING_SD
    assert not told.lasting().any()


def test_a_gap_after_an_odd_part_does_not_confirm_it() -> None:
    """What was off is not read on the next part, its neighbours are and read as ever: no change that stays."""
    readings = np.zeros((12, 3))
    readings[10, 0] = 80.0
    readings[11, 0] = NAN

    assert not _told(THREE_SIZES, readings).lasting().any()


def test_before_the_first_part_there_is_nothing_to_see() -> None:
    """No part, no sign."""
    states = States(THREE_SIZES)

    assert len(signs(model_of(states, usual(THREE_SIZES)), signatures_of(states), no_looks(states)).stays) == 0
