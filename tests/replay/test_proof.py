"""The effect check worked out for every part at once, against the effect check itself."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.effect import Gain, Row, Watch, _belief, measured_gain, status_of
from feedback.replay.past import Floats, GroupPast
from feedback.replay.proof import gain_of, proof, steps
from tests.replay import shop

RADIUS = "tool 5 radius"


@pytest.fixture(scope="module", params=["steady", "rare-measurement", "two-tools-sharing-features"])
def past(request: pytest.FixtureRequest) -> GroupPast:
    pasts = shop.uncorrected(request.param, 140, seed=8)
    return max(pasts, key=lambda one: len(one.group.features))


def watch_from(past: GroupPast, column: int, row: int, change_um: float, rows: int) -> Watch:
    """A change of one register before a row, that does what it promises."""
    was_left_out = bool(past.wild[row - 1].any())
    shift = change_um * past.sensitivity[:, column]
    return Watch(
        register=past.group.registers[column],
        change_um=change_um,
        new=Decimal(0),
        source="",
        part="",
        before=_belief(past.outlooks, row - 2 if was_left_out else row - 1),
        earlier=[row_of(past, row - 1, 0 * shift)] if was_left_out else [],
        rows=[row_of(past, k, shift) for k in range(row, row + rows)],
    )


def row_of(past: GroupPast, k: int, shift_um: Floats) -> Row:
    told = past.read_um[k] + shift_um - (past.lower_um + past.upper_um) / 2
    return Row(
        readings=[None if np.isnan(um) else float(um) for um in told],
        wild=past.wild[k].tolist(),
        jumped=bool(past.outlooks.jumped[k].any()),
        moved_um=[0.0] * len(past.group.registers),
        fresh=past.fresh[k].tolist(),
        passed=int(past.passed[k]),
    )


@pytest.mark.parametrize("change_um", [-8.0, 1.0, 3.0])
def test_the_gain_of_a_change_is_what_the_effect_check_finds(past: GroupPast, change_um: float) -> None:
    """A replayed change shows itself just as a real one of that size at that part would have."""
    for column in range(len(past.group.registers)):
        found = steps(past, column)
        for row in range(5, len(past) - 4, 17):
            if past.fresh[row : row + 4, column].any():
                continue
            for w in range(min(4, found.step_um.shape[1])):
                wanted, parts = measured_gain(past.outlooks.states, watch_from(past, column, row, change_um, w + 1))
                value, sd = gain_of(np.array([change_um]), found.step_um[row, w : w + 1], found.sd_um[row, w : w + 1])
                assert int(found.parts[row, w]) == parts
                assert float(value[0]) == pytest.approx(wanted.value, abs=2e-3)
                assert float(sd[0]) == pytest.approx(wanted.sd, rel=2e-3)


def test_what_had_moved_before_a_change_is_no_step_of_it() -> None:
    """A part left out and then shown again: as the effect check does, a change behind it is not blamed for it."""
    (past,) = [one for one in shop.uncorrected("break-in", 300, seed=1) if str(one.group.registers[0]) == RADIUS]
    (row,) = np.flatnonzero(past.wild[:-1].any(axis=1) & past.outlooks.jumped[1:].any(axis=1)) + 1
    found = steps(past, 0)
    for w in range(4):
        wanted, _ = measured_gain(past.outlooks.states, watch_from(past, 0, int(row), -4.0, w + 1))
        value, sd = gain_of(np.array([-4.0]), found.step_um[row, w : w + 1], found.sd_um[row, w : w + 1])
        assert float(value[0]) == pytest.approx(wanted.value, abs=2e-3)
        assert float(sd[0]) == pytest.approx(wanted.sd, rel=2e-3)
        assert abs(wanted.value - 1.0) < 3.137 * wanted.sd


@given(
    st.floats(-30, 30).filter(lambda um: abs(um) > 0.1),
    st.floats(-20, 20),
    st.floats(0.05, 30),
    st.integers(0, 9),
    st.integers(1, 41),
    st.integers(0, 5),
)
def test_the_verdict_is_that_of_the_effect_check(
    change_um: float, step_um: float, sd_um: float, parts: int, rows: int, settle: int
) -> None:
    """Confirmed, waiting or contradicted: the same bounds whether one change is judged or thousands."""
    value, sd = gain_of(np.array([change_um]), np.array([step_um]), np.array([sd_um]))
    gain = Gain(float(value[0]), float(sd[0]))
    least, is_last = max(2, settle), parts >= 8 or rows >= 40
    wanted = status_of(gain, parts, least, is_last=is_last)
    got = proof(
        np.array([change_um]),
        np.array([step_um]),
        np.array([sd_um]),
        np.array([parts]),
        np.array([rows]),
        np.array([float(settle)]),
    )
    assert bool(got.is_over[0]) == (wanted is not None)
    assert bool(got.contradicts[0]) == (wanted is not None and wanted[1])
    assert bool(got.is_unproven[0]) == (wanted is None and (parts < least or not gain.looks_as_promised))
