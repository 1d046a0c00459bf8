"""What is known after each part: gaps, shared features, new tools, known moves, restarts."""

import json
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from feedback.errors import StoreError
from feedback.trend.shape import States
from feedback.trend.tracker import GroupShape, Outlooks, Priors, Row, Tracker, fit_is_due
from tests.trend.shop import BORE, BORE_AND_BOSS, DATUM, TOOL_AND_WORK, rows_of, usual, worn

NAN = math.nan
ARRAYS = (
    *("mean", "cov", "walk_var", "noise_var", "wild", "parts"),
    *("jumped", "jump_age", "jump_um", "apart_age", "unsettled"),
)
FLOOR_OVER_PAD = GroupShape(("tool", "work"), ((1.0, 1.0), (0.0, -1.0)))


def _take(shape: GroupShape, rows: list[Row], priors: Priors | None = None) -> Outlooks:
    return Tracker(shape, priors or Priors(), fixed=usual(shape)).take(rows)


def _same(ours: Outlooks, theirs: Outlooks) -> None:
    for name in ARRAYS:
        assert np.array_equal(getattr(ours, name), getattr(theirs, name), equal_nan=True), name
    assert list(ours.moving) == list(theirs.moving)
    assert list(ours.fit_failed) == list(theirs.fit_failed)


def _joined(pieces: list[Outlooks]) -> Outlooks:
    def together(name: str) -> np.ndarray:
        return np.concatenate([getattr(piece, name) for piece in pieces])

    return Outlooks(
        states=pieces[0].states,
        **{name: together(name) for name in ARRAYS},
        moving=[words for piece in pieces for words in piece.moving],
        fit_failed=[words for piece in pieces for words in piece.fit_failed],
    )


def test_a_part_nobody_probed_leaves_the_estimate_and_widens_it() -> None:
    """A missing reading is no reading: the level goes on by its slope and is known less well."""
    outlooks = _take(BORE, rows_of([[0.0], [-2.0], [-4.0], [NAN]]))

    level, slope = outlooks.mean[2, 0], outlooks.mean[2, 1]
    assert outlooks.mean[3, 0] == pytest.approx(level + slope)
    assert outlooks.cov[3, 0, 0] > outlooks.cov[2, 0, 0]
    assert outlooks.parts[:, 0].tolist() == [1, 2, 3, 3]


def test_a_worn_radius_shows_in_bore_and_boss_with_opposite_sense() -> None:
    """Bore 10 um small and boss 10 um big are one radius error of +5 um, not two features at odds."""
    outlooks = _take(BORE_AND_BOSS, rows_of([[-10.0, 10.0]] * 8))

    assert outlooks.predict(0).level_um[-1, 0] == pytest.approx(5.0, abs=0.1)
    assert outlooks.predict(0).own_um[-1, :, 0] == pytest.approx([-10.0, 10.0], abs=0.2)


def test_features_of_one_tool_keep_their_own_offsets() -> None:
    """Two bores of one tool that always differ by 8 um are told apart from the tool's error."""
    shape = GroupShape(("tool",), ((-2.0,), (-2.0,)))

    prediction = _take(shape, rows_of([[4.0, -4.0]] * 20)).predict(0)

    assert prediction.total_um[-1] == pytest.approx([4.0, -4.0], abs=0.5)
    assert prediction.level_um[-1, 0] == pytest.approx(0.0, abs=0.1)


def test_two_registers_of_one_feature_are_separated_by_what_each_moves_alone() -> None:
    """A height that tool length and work offset both move: the features of each alone say which one it was."""
    outlooks = _take(TOOL_AND_WORK, rows_of([[6.0, 0.0, 6.0]] * 10, registers=2))

    prediction = outlooks.predict(0)
    assert prediction.level_um[-1] == pytest.approx([0.0, 6.0], abs=1.0)
    assert prediction.own_um[-1, 0] == pytest.approx([0.0, 6.0], abs=1.5)
    assert np.isnan(prediction.own_um[-1, 1, 1])


@pytest.mark.parametrize(
    ("shape", "own"),
    [
        (FLOOR_OVER_PAD, 0),
        (BORE_AND_BOSS, 1),
        (TOOL_AND_WORK, 1),
        (GroupShape(("tool", "tool"), ((-2.0, 0.0), (-2.0, 0.0), (0.0, 2.0), (-1.0, -1.0))), 2),
    ],
)
def test_own_offsets_are_what_no_register_takes_away(shape: GroupShape, own: int) -> None:
    """Features beyond the number of registers show as many offsets of their own, and none is a register's error."""
    states = States(shape)

    assert np.linalg.matrix_rank(states.left_over, tol=1e-9) == own
    assert states.left_over @ states.sensitivity == pytest.approx(np.zeros_like(states.sensitivity), abs=1e-9)
    assert any(index is not None for index in states.own) == bool(own)


def test_a_feature_that_alone_tells_a_register_tells_it_all() -> None:
    """One cast pad tells where the part lies, one floor over it the tool: both registers are known to a micrometre."""
    prediction = _take(FLOOR_OVER_PAD, rows_of([[12.0, 3.0]] * 20, registers=2)).predict(0)

    assert prediction.level_um[-1] == pytest.approx([15.0, -3.0], abs=0.5)
    assert np.nanmax(prediction.own_sd_um[-1]) < 2.0


def test_two_registers_that_always_move_together_stay_unknown_apart() -> None:
    """Only the sum shows: each register's own share keeps its prior spread, the total is known well."""
    shape = GroupShape(("work", "work"), ((1.0, 1.0),))

    prediction = _take(shape, rows_of([[10.0]] * 20, registers=2)).predict(0)

    assert prediction.total_um[-1, 0] == pytest.approx(10.0, abs=0.5)
    assert prediction.total_sd_um[-1, 0] < 2.0
    assert prediction.own_sd_um[-1, 0].min() > 60.0


def test_a_new_tool_forgets_the_old_ones_wear_and_nothing_else() -> None:
    """Level, slope and part count of the new tool start anew; the work offset's estimate goes on."""
    wear = [[k + 5.0, float(k), 5.0] for k in range(20)]
    rows = rows_of([*wear, [NAN, NAN, NAN]], registers=2, fresh={20: (True, False)})

    outlooks = _take(TOOL_AND_WORK, rows)

    before, after = outlooks[19:20].predict(1), outlooks[20:].predict(0)
    assert after.level_um[0, 0] == 0.0
    assert after.level_sd_um[0, 0] == Priors().new_tool_level_um
    assert after.slope_sd_um[0, 0] == Priors().slope_um
    assert after.level_um[0, 1] == pytest.approx(before.level_um[0, 1])
    assert after.level_sd_um[0, 1] == pytest.approx(before.level_sd_um[0, 1])
    assert outlooks.parts[20].tolist() == [0, 20]


def test_old_wear_does_not_reach_the_new_tools_first_readings() -> None:
    """After the change, the old tool's 60 um leave no trace in what the new tool's parts say."""
    old = [[-2.0 * k] for k in range(30)]
    new = [[3.0], [2.0], [4.0]]
    after_old = _take(BORE, rows_of(old + new, fresh={30: (True,)}))
    alone = _take(BORE, rows_of(new), Priors(first_level_um=Priors().new_tool_level_um))

    assert after_old.mean[30:] == pytest.approx(alone.mean, abs=1e-9)
    assert after_old.cov[30:] == pytest.approx(alone.cov, abs=1e-9)


@pytest.mark.parametrize("shape", [BORE, DATUM], ids=["tool", "work"])
def test_corrections_are_known_moves_and_not_wear(shape: GroupShape) -> None:
    """Following a corrected run is following the uncorrected one with the corrections added back: exactly."""
    s = shape.sensitivity[0][0]
    readings = np.random.default_rng(2).normal(0, 2, 40) - 0.5 * np.arange(40)
    moves = {10: (4.0,), 11: (-1.5,), 25: (7.0,)}
    moved = np.zeros(40)
    for at, (move,) in moves.items():
        moved[at:] += move

    plain = _take(shape, rows_of(readings[:, None].tolist()))
    corrected = _take(shape, rows_of((readings + s * moved)[:, None].tolist(), moved=moves))

    assert corrected.mean[:, 0] == pytest.approx(plain.mean[:, 0] + moved, abs=1e-9)
    assert corrected.mean[:, 1:] == pytest.approx(plain.mean[:, 1:], abs=1e-9)
    assert corrected.cov == pytest.approx(plain.cov, abs=1e-9)


def test_a_forecast_goes_on_with_the_wear() -> None:
    """Three parts ahead the bore has shrunk by three more times S x slope, and is known less well."""
    outlooks = _take(BORE, rows_of([[-1.0 * k] for k in range(20)]))

    now, later = outlooks.predict(0), outlooks.predict(3)

    slope = now.slope_um[-1, 0]
    assert slope == pytest.approx(0.5, abs=0.1)
    assert later.total_um[-1, 0] == pytest.approx(now.total_um[-1, 0] - 2.0 * 3 * slope)
    assert later.total_sd_um[-1, 0] > now.total_sd_um[-1, 0]
    assert later.own_um[-1, 0, 0] == later.total_um[-1, 0]


def test_every_outlook_rests_on_the_past_alone() -> None:
    """Another future changes no outlook that was given before it."""
    past = worn(TOOL_AND_WORK, 60, seed=4).rows
    other = rows_of([[300.0, -80.0, 5.0]] * 30, registers=2)

    one = Tracker(TOOL_AND_WORK, Priors()).take(past + worn(TOOL_AND_WORK, 30, seed=9).rows)
    two = Tracker(TOOL_AND_WORK, Priors()).take(past + other)

    _same(one[:60], two[:60])


def _eventful(seed: int) -> list[Row]:
    """Wear with chips, gaps, a tool change, hand changes and a fixture that slips for good."""
    rng = np.random.default_rng(seed)
    rows = worn(TOOL_AND_WORK, 70, seed, life=35).rows
    slip = int(rng.integers(20, 60))
    eventful = []
    for k, row in enumerate(rows):
        readings = np.array(row.readings) + (k >= slip) * np.array([30.0, 0.0, 30.0])
        readings += np.where(rng.random(3) < 0.04, rng.choice([-60.0, 60.0], 3), 0.0)
        readings[rng.random(3) < 0.1] = np.nan
        moved = tuple(np.where(rng.random(2) < 0.05, 5.0, 0.0).tolist())
        eventful.append(Row(row.part, tuple(readings.tolist()), moved, row.fresh))
    return eventful


@settings(max_examples=6)
@given(seed=st.integers(0, 10_000), cuts=st.lists(st.integers(1, 69), max_size=6, unique=True))
def test_the_same_parts_give_the_same_outlooks_however_they_arrive(seed: int, cuts: list[int]) -> None:
    """All at once, in any pieces, or across restarts with the memory written out: equal to the last bit."""
    rows = _eventful(seed)
    whole = Tracker(TOOL_AND_WORK, Priors()).take(rows)

    tracker, pieces = Tracker(TOOL_AND_WORK, Priors()), []
    edges = [0, *sorted(cuts), len(rows)]
    for first, end in pairwise(edges):
        pieces.append(tracker.take(rows[first:end]))
        kept = json.loads(json.dumps(tracker.snapshot(), allow_nan=False))
        tracker = Tracker(TOOL_AND_WORK, Priors(), kept)

    _same(_joined(pieces), whole)


def test_one_by_one_equals_all_at_once_over_many_fits() -> None:
    """Across the change from frequent fits to rare ones, with forgetting in between, nothing depends on the pieces."""
    rows = worn(BORE_AND_BOSS, 470, seed=11, life=90).rows
    whole = Tracker(BORE_AND_BOSS, Priors()).take(rows)

    tracker = Tracker(BORE_AND_BOSS, Priors())

    _same(_joined([tracker.take([row]) for row in rows]), whole)


def test_a_memory_of_another_group_is_refused() -> None:
    """A kept state that does not fit the plans is not bent until it does; the message says what to do."""
    kept = Tracker(BORE, Priors()).snapshot()

    with pytest.raises(StoreError, match=r"found 1 registers, 1 features.*wanted 2, 3.*take the group's parts anew"):
        Tracker(TOOL_AND_WORK, Priors(), kept)


def test_memory_stays_small_however_long_the_run() -> None:
    """What is kept does not grow with the number of parts."""
    tracker = Tracker(BORE, Priors(), fixed=usual(BORE))

    tracker.take(worn(BORE, 3000, seed=1, life=100).rows)

    assert len(tracker.snapshot()["memory"]["parts"]) <= 400


def test_fits_follow_the_count_of_parts_alone() -> None:
    """Often while little is known, every 1000 parts later."""
    due = [count for count in range(1, 4000) if fit_is_due(count)]

    assert due[:6] == [3, 4, 5, 6, 8, 10]
    assert due[-4:] == [200, 1200, 2200, 3200]


def test_nothing_taken_gives_no_outlook() -> None:
    """A call without parts is no event."""
    assert len(Tracker(BORE, Priors()).take([])) == 0


def _every_fifth(parts: int, wear_um: float = 0.5) -> list[Row]:
    """A bore that shrinks by wear and is probed on every fifth part."""
    noise = np.random.default_rng(4).normal(0, 1.0, parts)
    return [
        Row(str(k), (-2 * wear_um * k + noise[k],), (0.0,), (False,), passed=4 if k else 0) for k in range(0, parts, 5)
    ]


def test_a_tool_wears_with_every_part_it_cuts() -> None:
    """Probed on each fifth part, it wears by 0.5 um a part and not by 2.5; the next part but one is 1 um further."""
    outlooks = _take(BORE, _every_fifth(200))

    assert outlooks.predict(0).slope_um[-1, 0] == pytest.approx(0.5, abs=0.06)
    ahead = outlooks.predict(2).level_um[-1, 0] - outlooks.predict(0).level_um[-1, 0]
    assert ahead == pytest.approx(1.0, abs=0.12)
    assert outlooks.parts[-1, 0] == len(outlooks) == 40


def test_parts_without_a_reading_count_as_parts_that_were_not_probed() -> None:
    """Whether the log tells of them one by one or as a number, the next reading tells the same."""
    rows = _every_fifth(60)
    blank = [Row("", (NAN,), (0.0,), (False,))] * 4
    one_by_one = [row for k, fifth in enumerate(rows) for row in (*(blank if k else []), replace(fifth, passed=0))]

    together, singly = _take(BORE, rows), _take(BORE, one_by_one)

    assert np.array_equal(together.mean, singly.mean[::5])
    assert np.array_equal(together.cov, singly.cov[::5])


def test_rows_with_unread_parts_may_come_one_by_one() -> None:
    """Handed over singly or all at once, fits included, the outlooks are the same."""
    rows = _every_fifth(150)
    tracker = Tracker(BORE, Priors())
    _same(_joined([tracker.take([row]) for row in rows]), Tracker(BORE, Priors()).take(rows))
