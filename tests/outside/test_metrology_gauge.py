"""Gauge studies against published results. State the method: the two do not give the same number of categories."""

import pytest

from feedback.metrology.gauge import analysis, by_anova, by_ranges, unsteady_ranges

# Study data of measurement systems analysis, 4th edition: operator -> trial -> ten parts. Published there (average and
# range): Rbar .3417, EV .2019, AV .2297, GRR .3058, PV 1.1046, TV 1.1461, 26.7 %, 5 categories. The ANOVA figures are
# those of the same book from memory, recomputed.
PRINTED = {
    "A": [
        [0.29, -0.56, 1.34, 0.47, -0.8, 0.02, 0.59, -0.31, 2.26, -1.36],
        [0.41, -0.68, 1.17, 0.5, -0.92, -0.11, 0.75, -0.2, 1.99, -1.25],
        [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31],
    ],
    "B": [
        [0.08, -0.47, 1.19, 0.01, -0.56, -0.2, 0.47, -0.63, 1.8, -1.68],
        [0.25, -1.22, 0.94, 1.03, -1.2, 0.22, 0.55, 0.08, 2.12, -1.62],
        [0.07, -0.68, 1.34, 0.2, -1.28, 0.06, 0.83, -0.34, 2.19, -1.5],
    ],
    "C": [
        [0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
        [-0.11, -1.13, 1.09, 0.2, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
        [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16],
    ],
}
TRIALS = {
    operator: {str(part): [trial[part] for trial in trials] for part in range(10)}
    for operator, trials in PRINTED.items()
}


def test_average_and_range_gives_the_published_study() -> None:
    """Every printed figure of the average-and-range method, and 5 categories."""
    found = by_ranges(TRIALS)

    spreads = (found.ev, found.av, found.grr, found.pv, found.tv)
    # 1.5e-4: the printed factors have four decimals, ours are computed (K3 .3146 is .31456)
    assert spreads == pytest.approx((0.20186, 0.22967, 0.30577, 1.10460, 1.14613), abs=1.5e-4)
    shares = [found.share_of_variation(c) for c in ("ev", "av", "grr", "pv")]
    assert shares == pytest.approx([0.17612, 0.20038, 0.26678, 0.96376], abs=1e-4)
    assert (found.categories, found.method) == (5, "average and range")
    assert found.ndc == pytest.approx(5.094, abs=2e-3)


def test_the_one_range_of_the_published_study_beyond_its_limit_is_named() -> None:
    """UCL of the ranges is D4 Rbar = 2.574 x 0.3417 = 0.879; operator B read 0.01, 1.03 and 0.20 on the fourth part."""
    assert unsteady_ranges(TRIALS) == [("B", "3")]


def test_the_table_of_variance_is_the_known_one() -> None:
    """Sums of squares 3.1673, 88.3619, 0.3590, 2.7589; interaction F 0.434, p 0.974."""
    found = analysis(TRIALS)

    squares = [found.operators.squares, found.parts.squares, found.interaction.squares, found.equipment.squares]
    assert squares == pytest.approx([3.1672622, 88.3619344, 0.3589822, 2.7589333], abs=6e-8)
    assert [found.operators.degrees, found.parts.degrees] == [2, 9]
    assert [found.interaction.degrees, found.equipment.degrees] == [18, 60]
    ratios = [v.mean_square / found.equipment.mean_square for v in (found.operators, found.parts, found.interaction)]
    assert ratios == pytest.approx([34.440, 213.517, 0.434], abs=5e-4)
    assert found.interaction_p == pytest.approx(0.9741, abs=5e-5)


def test_anova_without_interaction_counts_one_category_less() -> None:
    """The interaction is no more than chance (p > .25), so it is pooled; 4.86 categories are 4."""
    found = by_anova(TRIALS)

    spreads = (found.ev, found.av, found.grr, found.pv, found.tv)
    assert spreads == pytest.approx((0.199933, 0.226838, 0.302372, 1.042327, 1.085300), abs=6e-7)
    shares = [found.share_of_variation(c) for c in ("ev", "av", "grr", "pv")]
    assert shares == pytest.approx([0.1842, 0.2090, 0.2786, 0.9604], abs=5e-5)
    assert found.share_of_variation("grr") ** 2 == pytest.approx(0.07762, abs=5e-6)  # share of the variance
    assert (found.categories, found.method) == (4, "ANOVA without interaction (its p 0.974)")
    assert found.ndc == pytest.approx(4.861, abs=1e-3)


def test_anova_with_interaction_stays_available() -> None:
    """Asked for, the interaction is kept apart; here it is nothing, and repeats alone are the noise."""
    found = by_anova(TRIALS, interaction=True)

    assert found.ev == pytest.approx(0.0459822**0.5, abs=1e-6)
    assert found.interaction == 0.0
    assert found.av == pytest.approx(((1.5836311 - 0.0199435) / 30) ** 0.5, abs=1e-6)
