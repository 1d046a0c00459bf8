"""Chips are left out, sudden changes are found, named after the register that explains them, and begun anew from."""

import json
import math
from typing import Any

import numpy as np
import pytest

from feedback.trend.tracker import GroupShape, Outlooks, Priors, Row, Tracker
from tests.trend.shop import BORE, BORE_AND_BOSS, DATUM, TOOL_AND_WORK, rows_of, usual

NAN = math.nan


def _noise(parts: int, features: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 2.0, (parts, features))


def _take(shape: GroupShape, readings: np.ndarray, **events: dict[int, tuple[Any, ...]]) -> Outlooks:
    registers = len(shape.register_kinds)
    return Tracker(shape, Priors(), fixed=usual(shape)).take(rows_of(readings.tolist(), registers, **events))


def test_one_chip_is_left_out_and_said_in_words() -> None:
    """One bore reads 40 um small: that reading is not believed, and the words name feature and size."""
    readings = _noise(20, 1)
    readings[12] = -40.0

    outlooks = _take(BORE, readings)

    assert outlooks.wild[:, 0].nonzero()[0].tolist() == [12]
    words = outlooks.moving[12]
    assert words is not None
    assert words.startswith("feature 12 read ")
    assert words.endswith(" um away from what was expected; one such part is not believed yet")
    assert outlooks.moving[11] is outlooks.moving[13] is None
    assert outlooks.unsettled[12].all()
    assert not outlooks.jumped.any()


@pytest.mark.parametrize("chip", [40.0, -40.0, 500.0])
def test_a_chip_counts_as_a_part_that_was_not_probed(chip: float) -> None:
    """Whatever its size and sign, the estimate afterwards is that of a missing reading."""
    readings, gap = _noise(20, 1), _noise(20, 1)
    readings[12] += chip
    gap[12] = NAN

    assert _take(BORE, readings).mean[12:] == pytest.approx(_take(BORE, gap).mean[12:], abs=1e-9)


def test_a_chip_does_not_move_the_estimate() -> None:
    """With and without it a tool of three features differs by less than half a standard deviation, and not for long."""
    shape = GroupShape(("tool",), ((-2.0,), (2.0,), (-2.0,)))
    clean, chipped = _noise(20, 3), _noise(20, 3)
    chipped[12, 0] += 60.0

    without, with_chip = _take(shape, clean), _take(shape, chipped)

    sd = without.predict(0).level_sd_um[12:, 0]
    assert (np.abs(with_chip.mean[12:, 0] - without.mean[12:, 0]) < 0.5 * sd).all()


def test_two_chips_running_that_disagree_are_no_sudden_change() -> None:
    """Plus 60 and then plus 200: neither confirms the other, and the good part after them is believed."""
    readings = _noise(20, 1)
    readings[10], readings[11] = 60.0, 200.0

    outlooks = _take(BORE, readings)

    assert not outlooks.jumped.any()
    assert outlooks.wild[:, 0].nonzero()[0].tolist() == [10, 11]
    assert outlooks.mean[12, 0] == pytest.approx(0.0, abs=2.0)


def test_a_fixture_that_slipped_is_believed_on_the_second_part() -> None:
    """A datum reads 25 um off twice: one part late the work offset's estimate is there, resting on two parts."""
    readings = _noise(20, 1)
    readings[10:] -= 25.0

    outlooks = _take(DATUM, readings)

    assert outlooks.wild[:, 0].nonzero()[0].tolist() == [10]
    assert outlooks.jumped[:, 0].nonzero()[0].tolist() == [11]
    assert outlooks.mean[11, 0] == pytest.approx(25.0, abs=3.0)
    assert outlooks.jump_um[11, 0] == pytest.approx(25.0, abs=4.0)
    assert outlooks.parts[9:14, 0].tolist() == [10, 10, 2, 3, 4]
    assert outlooks.jump_age[9:14, 0].tolist() == [-1, -1, 1, 2, 3]
    words = outlooks.moving[11]
    assert words is not None
    assert "on two parts running, from part 11 on: taken as a sudden change of work 54 X by 2" in words


def test_outlooks_given_before_a_sudden_change_was_seen_stay_as_they_were() -> None:
    """Going back changes what is remembered, never what was said."""
    readings = _noise(20, 1)
    readings[10:] += 25.0
    rows = rows_of(readings.tolist())

    tracker = Tracker(DATUM, Priors(), fixed=usual(DATUM))
    before = tracker.take(rows[:11])
    tracker.take(rows[11:])
    whole = Tracker(DATUM, Priors(), fixed=usual(DATUM)).take(rows)

    assert np.array_equal(whole.mean[:11], before.mean)
    assert whole.wild[10, 0]


@pytest.mark.parametrize(
    ("moves", "jumped"),
    [((1.0, 1.0, 0.0), [True, False]), ((1.0, 0.0, 1.0), [False, True])],
    ids=["new edge", "part moved"],
)
def test_a_sudden_change_is_pinned_on_the_register_that_explains_it(
    moves: tuple[float, float, float], jumped: list[bool]
) -> None:
    """Tool length and work offset share a height; which of their own features jumped with it tells them apart."""
    readings = _noise(24, 3)
    readings[12:] += 20.0 * np.array(moves)

    outlooks = _take(TOOL_AND_WORK, readings)

    assert outlooks.jumped.any(axis=0).tolist() == jumped
    other = jumped.index(False)
    assert outlooks.parts[-1, other] > 20
    assert outlooks.parts[-1, 1 - other] < 15


def test_a_change_that_two_registers_explain_equally_opens_both() -> None:
    """Only a height that both move was probed: neither register is blamed alone."""
    readings = np.column_stack([_noise(24, 1), np.full((24, 2), NAN)])
    readings[:6] = _noise(6, 3, seed=2)
    readings[14:, 0] += 30.0

    outlooks = _take(TOOL_AND_WORK, readings)

    assert outlooks.jumped[15].tolist() == [True, True]
    assert " or work 54 Z by " in (outlooks.moving[15] or "")


def test_one_feature_that_changes_against_its_neighbour_moves_no_register() -> None:
    """The bore jumps, the boss of the same tool does not: the feature's own offset takes it, the tool's level stays."""
    readings = _noise(24, 2)
    readings[12:, 0] += 30.0

    outlooks = _take(BORE_AND_BOSS, readings)

    assert not outlooks.jumped.any()
    assert outlooks.mean[-1, 0] == pytest.approx(0.0, abs=3.0)
    assert outlooks.predict(0).total_um[-1] == pytest.approx([30.0, 0.0], abs=4.0)
    assert "a change of that feature alone" in (outlooks.moving[13] or "")


def test_a_first_part_hit_by_a_chip_does_not_poison_a_life() -> None:
    """Parts two and three agree with each other and not with part one: part one is the odd one out, nothing jumped."""
    readings = _noise(8, 1)
    readings[0] = 70.0

    outlooks = _take(BORE, readings)

    assert not outlooks.jumped.any()
    assert outlooks.parts[:4, 0].tolist() == [1, 1, 2, 3]
    assert outlooks.mean[2, 0] == pytest.approx(0.0, abs=3.0)
    assert "the one part before it is not believed any more" in (outlooks.moving[2] or "")


def test_a_chip_on_the_new_tools_first_part_is_outvoted_too() -> None:
    """Likewise after a tool change in the middle of a run."""
    readings = _noise(30, 1)
    readings[20] = 70.0

    outlooks = _take(BORE, readings, fresh={20: (True,)})

    assert outlooks.parts[20:24, 0].tolist() == [1, 1, 2, 3]
    assert outlooks.mean[23, 0] == pytest.approx(0.0, abs=4.0)


def test_three_features_of_a_first_part_outvote_a_chip_on_one() -> None:
    """Nothing is known yet, but two features of one tool agree and the third does not: it is left out at once."""
    shape = GroupShape(("tool",), ((-2.0,), (-2.0,), (-2.0,)))
    readings = _noise(6, 3)
    readings[0, 1] += 90.0

    outlooks = _take(shape, readings)

    assert outlooks.wild[0].tolist() == [False, True, False]
    assert not outlooks.wild[1:].any()
    assert outlooks.mean[0, 0] == pytest.approx(0.0, abs=5.0)


def test_two_features_of_a_first_part_that_contradict_each_other_are_both_left_out() -> None:
    """There is no third to decide; the next part does."""
    readings = _noise(6, 2)
    readings[0, 0] += 90.0

    outlooks = _take(BORE_AND_BOSS, readings)

    assert outlooks.wild[0].all()
    assert outlooks.parts[:3, 0].tolist() == [0, 1, 2]
    assert outlooks.predict(0).total_um[-1] == pytest.approx([0.0, 0.0], abs=4.0)


def test_a_first_part_far_off_is_no_reason_for_alarm() -> None:
    """An offset of 150 um at set-up is what first parts are for."""
    readings = _noise(6, 1) + 150.0

    outlooks = _take(BORE, readings)

    assert not outlooks.wild.any()
    assert outlooks.predict(0).total_um[2, 0] == pytest.approx(150.0, abs=5.0)


def test_a_suspect_feature_that_is_not_probed_again_keeps_the_words_up_until_it_is() -> None:
    """Missing on the next part is neither confirmation nor all-clear."""
    readings = _noise(20, 2)
    readings[10, 0] = 80.0
    readings[11:14, 0] = NAN

    outlooks = _take(BORE_AND_BOSS, readings)

    assert all(outlooks.moving[row] for row in (10, 11, 12, 13))
    assert outlooks.moving[14] is None


def test_a_tool_change_settles_what_was_suspect() -> None:
    """A wild reading of the old tool says nothing about the new one."""
    readings = _noise(20, 1)
    readings[10] = 80.0

    outlooks = _take(BORE, readings, fresh={11: (True,)})

    assert outlooks.moving[10] is not None
    assert outlooks.moving[11] is None


def test_a_hand_change_seen_in_the_log_is_no_sudden_change() -> None:
    """Readings that move by S times what the register moved are what was expected."""
    readings = _noise(20, 1)
    readings[10:] -= 2 * 30.0

    outlooks = _take(BORE, readings, moved={10: (30.0,)})

    assert not outlooks.wild.any()
    assert not outlooks.jumped.any()


def test_a_feature_rougher_than_believed_is_measured_and_not_called_wild_for_ever() -> None:
    """Scatter of 14 um where 2 were expected: the fit learns it, and hardly a reading is left out any more."""
    readings = np.random.default_rng(6).normal(0, 14.0, (80, 1))
    tracker = Tracker(DATUM, Priors())

    outlooks = tracker.take(rows_of(readings.tolist()))

    assert tracker.parameters.noise_um[0] == pytest.approx(14.0, rel=0.35)
    assert outlooks.wild[30:].sum() <= 2
    assert outlooks.jumped[30:].sum() == 0


def test_an_angle_is_spoken_of_in_degrees() -> None:
    """Rotary readings are kept in millidegrees; a person reads degrees."""
    shape = GroupShape(("rotary",), ((-1.0,),), ("work 54 B",), ("feature 40",), ("deg",))
    readings = _noise(12, 1)
    readings[10] = 60.0

    outlooks = _take(shape, readings)

    assert (outlooks.moving[10] or "").startswith("feature 40 read 0.0")
    assert " deg away" in (outlooks.moving[10] or "")


def test_rows_are_not_changed_by_taking_them() -> None:
    """The caller's rows are the caller's."""
    rows = [Row("1", (5.0,), (0.0,), (False,)), Row("2", (900.0,), (0.0,), (False,))]

    Tracker(BORE, Priors()).take(rows)

    assert rows[1] == Row("2", (900.0,), (0.0,), (False,))


# Three sizes of one tool, each scattering by 2 um around an expectation that is nearly as sure as it can be.
THREE_SIZES = GroupShape(("tool",), ((-2.0,), (2.0,), (-2.0,)))


def test_a_change_that_no_reading_shows_alone_is_seen_in_all_of_them_together() -> None:
    """A radius off by 3 um moves three sizes by 6 um, three standard deviations: believed on the second part."""
    readings = _noise(40, 3, seed=1)
    readings[30:] += 3.0 * np.array([-2.0, 2.0, -2.0])

    outlooks = _take(THREE_SIZES, readings)

    assert outlooks.jumped[:, 0].nonzero()[0].tolist() == [31]
    assert outlooks.jump_um[31, 0] == pytest.approx(3.0, abs=1.5)
    assert outlooks.jump_age[31:34, 0].tolist() == [1, 2, 3]
    assert outlooks.parts[31, 0] == 2
    assert "on two parts running, from part 31 on: taken as a sudden change of register 1 by " in (
        outlooks.moving[31] or ""
    )


@pytest.mark.parametrize("seed", range(6))
def test_two_sizes_of_one_tool_that_move_apart_are_told_from_a_new_edge(seed: int) -> None:
    """One bore 8 um bigger, the other 8 um smaller: no register moved, and it is kept in mind since which part."""
    readings = _noise(40, 3, seed)
    readings[30:] += [8.0, 0.0, -8.0]

    outlooks = _take(THREE_SIZES, readings)

    assert not outlooks.jumped.any()
    (seen,) = (outlooks.apart_age[:, 0] == 1).nonzero()[0]
    assert seen in (31, 32)
    assert outlooks.apart_age[:30, 0].max() == -1
    assert outlooks.apart_age[seen : seen + 5, 0].tolist() == [1, 2, 3, 4, 5]
    assert outlooks.predict(0).total_um[-1] == pytest.approx([8.0, 0.0, -8.0], abs=3.0)


def test_a_new_tool_forgets_what_moved_apart() -> None:
    """The features' own offsets stay, but the news was the old tool's."""
    readings = _noise(40, 3, seed=1)
    readings[30:] += [12.0, 0.0, -12.0]

    outlooks = _take(THREE_SIZES, readings, fresh={35: (True,)})

    assert outlooks.apart_age[34, 0] > 0
    assert outlooks.apart_age[35:, 0].tolist() == [-1] * 5


@pytest.mark.parametrize("seed", range(6))
def test_one_reading_off_is_a_chip_and_not_its_tool(seed: int) -> None:
    """One of three sizes is 12 um off on one part: that reading alone is left out, and the next part clears it."""
    readings = _noise(40, 3, seed)
    readings[30, 1] += 12.0

    outlooks = _take(THREE_SIZES, readings)

    assert outlooks.wild[30].tolist() == [False, True, False]
    assert not outlooks.jumped.any()
    assert outlooks.apart_age.max() == -1
    assert outlooks.moving[31] is None


@pytest.mark.parametrize("seed", range(6))
def test_one_part_that_lies_badly_moves_no_register(seed: int) -> None:
    """All three sizes 10 um off, on one part only: they are left out together, and the next part clears them."""
    readings = _noise(40, 3, seed)
    readings[30] += [-10.0, 10.0, -10.0]

    outlooks = _take(THREE_SIZES, readings)

    assert outlooks.wild[30].sum() >= 2
    assert not outlooks.jumped.any()
    assert outlooks.moving[31] is None
    assert abs(outlooks.mean[31, 0]) < 2.0


def test_a_change_seen_on_three_parts_only_is_dated_back_to_the_first() -> None:
    """Of two sizes moving 4 um either way the first two parts leave room for doubt; the third does not."""
    readings = _noise(40, 3, seed=3)
    readings[30:] += [4.0, 0.0, -4.0]

    outlooks = _take(THREE_SIZES, readings)

    words = [one for one in outlooks.moving if one]
    assert len(words) == 1
    assert "on three parts running, from part 31 on" in words[0]
    assert outlooks.apart_age[32, 0] == 2


def test_readings_left_out_are_still_known_after_a_restart() -> None:
    """A part that lay badly is cleared, or believed, after a restart as it would have been without."""
    readings = _noise(40, 3, seed=4)
    readings[30:] += [-9.0, 9.0, -9.0]
    rows = rows_of(readings.tolist())
    whole = Tracker(THREE_SIZES, Priors(), fixed=usual(THREE_SIZES)).take(rows)

    tracker = Tracker(THREE_SIZES, Priors(), fixed=usual(THREE_SIZES))
    jumped = []
    for row in rows:
        jumped += tracker.take([row]).jumped[:, 0].tolist()
        kept = json.loads(json.dumps(tracker.snapshot(), allow_nan=False))
        tracker = Tracker(THREE_SIZES, Priors(), kept, fixed=usual(THREE_SIZES))

    assert jumped == whole.jumped[:, 0].tolist()
    assert sum(jumped) == 1


def test_a_second_sudden_change_soon_after_the_first_is_not_believed_until_it_repeats() -> None:
    """A size jumps 40 um, and back three parts later: no part counts for the estimate before the one after."""
    readings = _noise(30, 1)
    readings[10:13] += 40.0

    outlooks = _take(DATUM, readings)

    assert outlooks.jumped[:, 0].nonzero()[0].tolist() == [11, 14]
    assert outlooks.parts[10:17, 0].tolist() == [10, 2, 3, 3, 0, 1, 2]


def test_sudden_changes_far_apart_are_each_believed() -> None:
    """Twelve parts later it is another change, and two parts speak for it."""
    readings = _noise(40, 1)
    readings[10:] += 40.0
    readings[22:] += 40.0

    outlooks = _take(DATUM, readings)

    assert outlooks.jumped[:, 0].nonzero()[0].tolist() == [11, 23]
    assert outlooks.parts[[11, 23], 0].tolist() == [2, 2]
