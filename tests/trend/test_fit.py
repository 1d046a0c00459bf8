"""Parameters learnt from parts, and what happens where they cannot be."""

from types import SimpleNamespace

import numpy as np
import pytest
import scipy.optimize

from feedback.trend.fit import fitted, least_noise_um
from feedback.trend.memory import sheet_of
from feedback.trend.priors import prior_parameters
from feedback.trend.shape import States
from feedback.trend.tracker import GroupShape, Parameters, Priors, Tracker
from tests.trend.shop import BORE, DATUM, TOOL_AND_WORK, rows_of, worn


def _fitted(shape: GroupShape, readings: np.ndarray) -> Parameters:
    rows = rows_of(readings.tolist(), len(shape.register_kinds))
    states, priors = States(shape), Priors()
    start = prior_parameters(priors, shape.register_kinds, states.features)
    fit = fitted(states, priors, sheet_of(states, rows), start, at_set_up=True)
    assert fit.complaint is None
    assert fit.parameters is not None
    return fit.parameters


@pytest.mark.parametrize("noise_um", [0.7, 2.0, 6.0])
def test_the_noise_of_a_feature_is_learnt(noise_um: float) -> None:
    """150 parts of pure scatter: the fitted noise is within 20 % of the truth, on either side of the prior."""
    readings = np.random.default_rng(3).normal(0, noise_um, (150, 1))

    assert _fitted(DATUM, readings).noise_um[0] == pytest.approx(noise_um, rel=0.2)


def test_the_walk_of_a_work_offset_is_learnt() -> None:
    """A zero that walks 3 um a part is not taken for noise."""
    rng = np.random.default_rng(3)
    readings = np.cumsum(rng.normal(0, 3.0, (150, 1)), axis=0) + rng.normal(0, 1.0, (150, 1))

    assert _fitted(DATUM, readings).walk_um[0] == pytest.approx(3.0, rel=0.3)


def test_nothing_collapses_on_a_constant_series() -> None:
    """A feature that reads the same on every part has little noise, but not none."""
    parameters = _fitted(BORE, np.zeros((60, 1)))

    assert parameters.noise_um[0] > 0.1
    assert parameters.walk_um[0] > 0.005
    assert parameters.slope_walk_um > 0.0001


def test_three_parts_leave_the_parameters_near_the_priors() -> None:
    """Three readings that happen to agree are no proof of a perfect probe."""
    parameters = _fitted(DATUM, np.zeros((3, 1)))

    assert 0.8 < parameters.noise_um[0] < 2.5


def test_a_group_nobody_has_read_keeps_its_priors_without_complaint() -> None:
    """No reading, no news."""
    tracker = Tracker(BORE, Priors())

    outlooks = tracker.take(rows_of([[np.nan]] * 6))

    assert list(outlooks.fit_failed) == [None] * 6
    assert outlooks.parts[-1, 0] == 0
    assert outlooks.predict(0).level_um[-1, 0] == 0.0


def test_a_fit_that_does_not_converge_says_so_and_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """The complaint is words for a person, the parameters in force stay, and the next good fit clears it."""
    rows = worn(BORE, 5, seed=1).rows
    tracker = Tracker(BORE, Priors())
    before = tracker.parameters

    def gives_up(*_: object, **__: object) -> SimpleNamespace:
        return SimpleNamespace(success=False, fun=1.0, x=np.zeros(3), jac=np.full(3, 9.0), nit=60)

    with monkeypatch.context() as patched:
        patched.setattr(scipy.optimize, "minimize", gives_up)
        outlooks = tracker.take(rows[:3])

    assert outlooks.fit_failed[1] is None
    assert outlooks.fit_failed[2] == "the fit did not converge in 60 steps; earlier parameters stay in force"
    assert tracker.parameters == before
    assert tracker.take(rows[3:4]).fit_failed[0] is None


@pytest.mark.parametrize("broken", [np.nan, np.inf])
def test_a_fit_that_gives_no_number_is_not_used(monkeypatch: pytest.MonkeyPatch, broken: float) -> None:
    """Not a number, or infinity, is a failed fit."""
    tracker = Tracker(BORE, Priors())

    def breaks(*_: object, **__: object) -> SimpleNamespace:
        return SimpleNamespace(success=True, fun=1.0, x=np.full(3, broken), jac=np.zeros(3), nit=2)

    with monkeypatch.context() as patched:
        patched.setattr(scipy.optimize, "minimize", breaks)
        outlooks = tracker.take(worn(BORE, 3, seed=1).rows)

    assert "no numbers" in (outlooks.fit_failed[2] or "")


def test_fits_converge_over_tool_changes_chips_and_slips() -> None:
    """In twenty long and eventful runs no fit fails."""
    for seed in range(20):
        rows = worn(TOOL_AND_WORK, 60, seed, spread=1.0, life=20).rows
        outlooks = Tracker(TOOL_AND_WORK, Priors()).take(rows)
        assert list(outlooks.fit_failed) == [None] * 60


def test_fixed_parameters_are_never_fitted() -> None:
    """Who fixes the parameters has them fixed."""
    fixed = Parameters(noise_um=(2.0,), walk_um=(0.3,), slope_walk_um=0.02)
    tracker = Tracker(BORE, Priors(), fixed=fixed)

    tracker.take(worn(BORE, 30, seed=2).rows)

    assert tracker.parameters is fixed


def test_a_fit_does_not_stay_on_a_lower_top() -> None:
    """Begun from parameters far from the priors, it finds what it finds from the priors."""
    readings = np.cumsum(np.random.default_rng(6).normal(0, 4.0, (40, 3)), axis=0)
    states, priors = States(TOOL_AND_WORK), Priors()
    middle = prior_parameters(priors, TOOL_AND_WORK.register_kinds, states.features)
    quiet_walk = Parameters(noise_um=(16.0,) * 3, walk_um=(0.03, 0.05), slope_walk_um=0.0013)
    sheet = sheet_of(states, rows_of(readings.tolist(), 2))

    found = [fitted(states, priors, sheet, begin, at_set_up=True).parameters for begin in (middle, quiet_walk)]

    assert found[0] is not None
    assert found[1] is not None
    assert found[1].noise_um == pytest.approx(found[0].noise_um, rel=0.1)
    assert found[1].walk_um == pytest.approx(found[0].walk_um, rel=0.1)


@pytest.mark.parametrize("step_um", [10.0, 12.7])
def test_readings_printed_coarsely_scatter_at_least_by_their_rounding(step_um: float) -> None:
    """Eight readings alike, then one step more: printed to a hundredth (or half a thou) they are known no better."""
    readings = step_um * np.repeat([3.0, 4.0, 5.0], 8)[:, None]

    assert _fitted(DATUM, readings).noise_um[0] >= step_um / np.sqrt(12)


def test_finely_printed_readings_have_no_such_floor() -> None:
    """Neither a step of a tenth of a micrometre nor two readings far apart say anything about rounding."""
    fine = np.round(np.random.default_rng(4).normal(0, 0.7, (20, 1)), 1)
    few = np.array([[0.0], [21.0]])

    assert least_noise_um(fine)[0] == pytest.approx(0.1 / np.sqrt(12))
    assert least_noise_um(few)[0] < 0.01
