"""Gauge studies: what the parts are not."""

import numpy as np
import pytest

from feedback.metrology.gauge import Trials, by_anova, by_ranges, unsteady_ranges
from feedback.metrology.inconclusive import InconclusiveError


def _study(noise: float, between: float, parts: float, *, crossed: float = 0.0, seed: int = 1) -> Trials:
    rng = np.random.default_rng(seed)
    sizes, habits = rng.normal(0, parts, 20), rng.normal(0, between, 6)
    return {
        f"clamping {o}": {
            f"part {p}": (sizes[p] + habits[o] + rng.normal(0, crossed) + rng.normal(0, noise, 4)).tolist()
            for p in range(20)
        }
        for o in range(6)
    }


def test_repeats_and_clampings_are_told_apart() -> None:
    """A probe that repeats to 0.5 um and a clamping that moves 1.5 um come out as those, by either method."""
    trials = _study(0.5, 1.5, 10.0)

    for found in (by_ranges(trials), by_anova(trials)):
        assert found.ev == pytest.approx(0.5, rel=0.12)
        assert found.av == pytest.approx(1.5, rel=0.8)  # six clampings know their spread no better
        assert found.pv == pytest.approx(10.0, rel=0.5)


def test_clampings_that_differ_from_part_to_part_are_an_interaction() -> None:
    """Where the same clamping holds one part high and another low, that is neither probe nor clamping alone."""
    found = by_anova(_study(0.5, 0.0, 10.0, crossed=2.0))

    assert found.method.startswith("ANOVA with interaction")
    assert found.interaction == pytest.approx(2.0, rel=0.2)
    assert found.ev == pytest.approx(0.5, rel=0.12)


def test_one_operator_has_no_reproducibility() -> None:
    """A study without re-clamping says nothing about clamping, and does not pretend."""
    trials = {"only": _study(0.5, 0.0, 5.0)["clamping 0"]}

    assert by_ranges(trials).av == 0.0
    assert by_anova(trials).av == 0.0
    assert by_anova(trials).ev == pytest.approx(0.5, rel=0.3)


def test_a_wild_cell_is_named_to_be_repeated() -> None:
    """A chip during one trial shows as a range beyond its limit."""
    trials = {o: {p: list(v) for p, v in own.items()} for o, own in _study(0.5, 0.5, 5.0).items()}
    trials["clamping 2"]["part 7"][1] += 12.0

    named = unsteady_ranges(trials)

    assert ("clamping 2", "part 7") in named
    assert len(named) <= 2  # of 119 good ranges less than one is beyond three standard deviations


def test_a_study_with_a_hole_is_refused_with_its_place() -> None:
    """Who measured what too rarely is said."""
    trials = {o: {p: list(v) for p, v in own.items()} for o, own in _study(0.5, 0.5, 5.0).items()}
    del trials["clamping 3"]["part 4"][0]

    with pytest.raises(InconclusiveError, match="clamping 3 measured part part 4 3 times and 20 parts; wanted 4 times"):
        by_anova(trials)


def test_one_trial_is_no_study() -> None:
    """Without repeats nothing tells gauge from part."""
    with pytest.raises(InconclusiveError, match="found 2 parts and 1 trials"):
        by_ranges({"A": {"1": [0.0], "2": [1.0]}})


def test_parts_measured_by_nobody_are_no_study() -> None:
    """An empty log is answered in words."""
    with pytest.raises(InconclusiveError, match="found 0 parts"):
        by_anova({})


@pytest.mark.parametrize(("tolerance", "words"), [(100.0, "fit: "), (20.0, "fit with caution"), (9.0, "not fit")])
def test_the_verdict_follows_the_share_of_the_tolerance(tolerance: float, words: str) -> None:
    """10 % is the usual aim, 30 % the usual ceiling (common practice); 6 x 0.5 um of gauge spread."""
    found = by_anova(_study(0.5, 0.0, 5.0))

    assert found.verdict(tolerance).startswith(words)


def test_readings_without_any_scatter_do_not_divide_by_nothing() -> None:
    """A gauge with one coarse step that never errs tells all parts apart."""
    found = by_anova({o: {p: [float(p)] * 2 for p in ("1", "2", "3")} for o in ("A", "B")})

    assert (found.grr, found.categories) == (0.0, None)
    assert "any number of" in found.verdict()
