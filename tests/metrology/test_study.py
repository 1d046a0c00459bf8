"""The verdict of a study per feature."""

import pytest

from feedback.metrology.budget import Known, feature_budget
from feedback.metrology.conformity import Tolerance
from feedback.metrology.study import FeatureVerdict, feature_verdict, suggested_band

BORE = Tolerance(lower=0.0, upper=21.0)  # 25 H7


def _verdict(repeat_um: float, width_um: float = 21.0) -> FeatureVerdict:
    budget = feature_budget(Known(repeat_sd_um=repeat_um, repeat_degrees=1000))
    return feature_verdict("4101/12", Tolerance(lower=0.0, upper=width_um), budget, noise_um=2.0)


@pytest.mark.parametrize(("repeat_um", "fitness"), [(0.5, "good"), (1.0, "usable"), (2.0, "not fit")])
def test_a_tolerance_is_judged_by_the_share_that_measuring_takes(repeat_um: float, fitness: str) -> None:
    """On 21 um: 0.5 um take 9 %, 1 um 19 %, 2 um 37 %; 10 % is the aim, 30 % the ceiling."""
    found = _verdict(repeat_um)

    assert found.share == pytest.approx(2 * 1.9623 * repeat_um / 21.0, rel=1e-3)
    assert found.fitness == fitness


def test_the_smallest_tolerance_follows_from_the_uncertainty() -> None:
    """A probe with U = 2 um can judge 40 um at 10 % and 13 um at 30 %."""
    found = _verdict(2.0 / 1.9623)

    assert found.smallest_tolerance_um(0.10) == pytest.approx(40.0, rel=1e-3)
    assert found.smallest_tolerance_um(0.30) == pytest.approx(13.33, rel=1e-3)
    assert found.entry()["smallest_tolerance_um"] == pytest.approx({"10 %": 40.0, "30 %": 13.33}, rel=1e-3)


def test_the_band_is_widened_by_noise_and_narrowed_by_guard_bands() -> None:
    """30 % of the half tolerance where both allow it; never so wide that a part in the band might be out."""
    assert suggested_band(Tolerance(lower=-50, upper=50), 1.0, 2.0) == pytest.approx(0.30)
    assert suggested_band(Tolerance(lower=-5, upper=5), 1.0, 2.0) == pytest.approx(3.0 / 5)
    assert suggested_band(Tolerance(lower=-10, upper=10), 5.0, 0.5) == pytest.approx((10 - 1.79621 * 5) / 10, rel=1e-4)


def test_where_noise_and_guard_bands_meet_there_is_no_band() -> None:
    """A tolerance of 6 um with 2 um of noise: nothing can be left alone and nothing corrected."""
    found = _verdict(1.2, width_um=6.0)

    assert found.band is None
    assert "leave no band: correct nothing by it" in found.words


def test_the_words_say_share_smallest_tolerance_and_band() -> None:
    """One line an engineer can act on."""
    assert _verdict(1.0).words == (
        "feature 4101/12: measuring takes 19% of 21.0 um: usable, above the usual aim of 10%; smallest tolerance"
        " 13.1 um at 30%; band 30% suggested"
    )
