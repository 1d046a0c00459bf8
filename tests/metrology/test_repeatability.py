"""Repeats at one place, in each direction, after relocation."""

from math import inf, sqrt

import numpy as np
import pytest

from feedback.metrology.inconclusive import InconclusiveError
from feedback.metrology.outliers import grubbs, outliers
from feedback.metrology.repeatability import (
    between_occasions,
    per_direction,
    relocation,
    repeatability,
    spreads_alike,
)

TOUCHES = [0.1, -0.4, 0.6, 0.2, -0.7, 0.3, -0.1, 0.5, -0.3, 0.0]


def test_ten_touches_give_range_and_standard_deviation_with_interval() -> None:
    """A study says how well the probe repeats and how sure that is."""
    found = repeatability(TOUCHES)

    assert found.range_um == pytest.approx(1.3)
    assert found.sd_um.value == pytest.approx(float(np.std(TOUCHES, ddof=1)))
    assert found.sd_um.low == pytest.approx(found.sd_um.value * 0.687839, rel=1e-5)  # sqrt(9 / 19.0228), chi-square
    assert found.sd_um.high == pytest.approx(found.sd_um.value * 1.825597, rel=1e-5)  # sqrt(9 / 2.70039)
    assert found.words[0].startswith("repeats to 0.41 um (0.28 to 0.74 um, 95 %)")


def test_nine_touches_are_one_too_few() -> None:
    """The person is told how many more touches make a study."""
    with pytest.raises(InconclusiveError, match="found 9 repeats; wanted at least 10; touch the same spot 1 more"):
        repeatability(TOUCHES[:9])


def test_a_mis_trigger_among_repeats_is_named() -> None:
    """One chip must not pass as a bad probe."""
    found = repeatability([*TOUCHES, 6.0])

    assert found.suspect.is_outlier
    assert found.words[0].startswith("repeat 11 (+6.00 um) stands apart")


def test_readings_on_one_step_say_that_the_step_limits_them() -> None:
    """Ten equal readings in whole micrometres do not prove a perfect probe."""
    found = repeatability([2.0] * 10, resolution_um=1.0)

    assert found.standard_uncertainty_um == pytest.approx(1 / sqrt(12))
    assert "the step, not the probe" in found.words[0]


def test_the_expected_range_of_normal_scatter_comes_with_the_study() -> None:
    """A reader can see at once whether the range fits the standard deviation: 3.0775 s for ten touches."""
    found = repeatability(TOUCHES)

    assert found.expected_range_um / found.sd_um.value == pytest.approx(3.0775, abs=1e-4)
    assert found.range_sd_um / found.sd_um.value == pytest.approx(0.7971, abs=1e-4)


def test_a_direction_that_repeats_worse_is_named() -> None:
    """A loose stylus shows in one direction."""
    rng = np.random.default_rng(3)
    touches = {name: rng.normal(0, 0.4, 12).tolist() for name in ("+X", "-X", "+Y")}
    touches["-Y"] = rng.normal(0, 2.5, 12).tolist()

    found = per_direction(touches)

    assert found.worst == "-Y"
    assert not found.are_alike
    assert found.words[0].startswith("direction -Y repeats worse")


def test_directions_that_repeat_alike_are_pooled() -> None:
    """Four directions of ten touches know more than one: 36 degrees of freedom."""
    rng = np.random.default_rng(4)
    touches = {name: rng.normal(0, 0.5, 10).tolist() for name in ("+X", "-X", "+Y", "-Y")}

    found = per_direction(touches)

    assert (found.are_alike, found.degrees) == (True, 36)
    assert found.pooled_sd_um == pytest.approx(sqrt(np.mean([np.var(v, ddof=1) for v in touches.values()])))


def test_a_direction_with_too_few_touches_is_named() -> None:
    """The person is told which direction to repeat."""
    with pytest.raises(InconclusiveError, match=r"direction \+Y: found 4 repeats"):
        per_direction({"+X": TOUCHES, "+Y": TOUCHES[:4]})


def test_directions_without_any_scatter_are_alike() -> None:
    """Coarse readings that never move give no reason to suspect one direction."""
    assert spreads_alike([0.0, 0.0], [9, 9]) == (0.0, 1.0)
    assert spreads_alike([0.0, 1.0], [9, 9]) == (inf, 0.0)


def test_relocation_is_judged_axis_by_axis() -> None:
    """A tool taper that seats badly in one axis is seen there."""
    places = [{"X": 0.1 * k, "Y": -0.5 * k} for k in range(10)]

    found = relocation(places, limit_um=2.0)

    assert found.range_um == pytest.approx({"X": 0.9, "Y": 4.5})
    assert found.too_far == ("Y",)


def test_a_relocation_that_lacks_an_axis_is_named() -> None:
    """Nothing is guessed for an axis that was not measured."""
    places: list[dict[str, float]] = [{"X": 0.0, "Y": 0.0} for _ in range(10)]
    places[6] = {"X": 0.0}

    with pytest.raises(InconclusiveError, match="relocation 7 gives X; wanted X, Y"):
        relocation(places)


def test_days_that_differ_no_more_than_repeats_add_nothing() -> None:
    """A probe that repeats over days as within an hour has no day-to-day spread, never a negative one."""
    assert between_occasions([1.0, 1.1, 0.9], sd=1.0, repeats=4) == 0.0


def test_grubbs_rarely_accuses_an_innocent_touch() -> None:
    """Of normal studies, one in twenty is suspected, as asked for."""
    rng = np.random.default_rng(11)

    accused = [grubbs(row.tolist()).is_outlier for row in rng.normal(0, 1, (3000, 10))]

    assert np.mean(accused) == pytest.approx(0.05, abs=0.014)  # 3.5 standard errors


def test_two_chips_do_not_hide_each_other() -> None:
    """Two wild touches of about the same size are both found."""
    values = [*TOUCHES, *(-x for x in TOUCHES), 9.0, 9.5]

    assert {found.index for found in outliers(values, most=4)} == {20, 21}
