"""Capability on stretches where nothing was changed."""

from math import inf, nan

import numpy as np
import pytest

from feedback.metrology.capability import MeasurementCapability, gauge_potential, process_capability
from feedback.metrology.conformity import Tolerance
from feedback.metrology.inconclusive import InconclusiveError
from feedback.metrology.stretches import stable_stretches

BORE = Tolerance(lower=0.0, upper=21.0)


def _worn(parts: int, wear_um: float, noise_um: float, seed: int = 5) -> list[float]:
    rng = np.random.default_rng(seed)
    return [15.0 - wear_um * k + e for k, e in enumerate(rng.normal(0, noise_um, parts).tolist())]


def test_a_correction_begins_a_new_stretch() -> None:
    """Two tools' worth of wear with a correction between are two stretches, each with its own drift."""
    values = _worn(30, 0.3, 0.8) + _worn(30, 0.3, 0.8, seed=6)

    found = stable_stretches(values, changes=[30])

    assert [(s.parts[0], s.parts[-1], s.is_stable) for s in found] == [(0, 29, True), (30, 59, True)]
    assert [s.slope_um for s in found] == pytest.approx([-0.3, -0.3], abs=0.05)


def test_wear_is_taken_out_of_sigma_and_said_so() -> None:
    """Steady wear of 0.3 um a part widens the total scatter, not the trend-compensated sigma; both are named."""
    values = _worn(60, 0.3, 0.8)

    found = process_capability(values, stable_stretches(values), BORE)

    assert found.trend_compensated_sd_um == pytest.approx(0.8, rel=0.25)
    assert found.total_sd_um == pytest.approx(np.std(values, ddof=1))
    assert found.total_sd_um > 5
    assert found.cp is not None
    assert found.pp is not None
    assert found.cp.value > found.pp.value
    assert "trend-compensated sigma" in found.words[0]
    assert "total sigma" in found.words[1]


def test_a_step_nobody_recorded_makes_the_stretch_unstable() -> None:
    """Capability is not judged across an unexplained jump; the words say where it looks wrong."""
    values = [*_worn(20, 0.0, 0.5), *(y + 6.0 for y in _worn(20, 0.0, 0.5, seed=8))]

    with pytest.raises(InconclusiveError, match="parts 1 to 40: the readings wander"):
        process_capability(values, stable_stretches(values), BORE)


def test_a_wild_part_makes_the_stretch_unstable() -> None:
    """A chip is named with its part."""
    values = _worn(30, 0.2, 0.5)
    values[12] += 9.0

    assert stable_stretches(values)[0].words.startswith("parts 1 to 30: part 13 stands apart by +8.")


def test_parts_without_a_believed_reading_are_left_out() -> None:
    """A missing reading leaves a gap in the stretch, not a zero."""
    values = _worn(30, 0.2, 0.5)
    values[7] = nan

    (found,) = stable_stretches(values)

    assert 7 not in found.parts
    assert found.degrees == 27


def test_too_short_a_stretch_is_none() -> None:
    """Five parts after a correction say nothing about capability, and the person is told what is wanted."""
    with pytest.raises(InconclusiveError, match="no stretch has 8 parts; wanted at least one stable stretch"):
        process_capability(_worn(5, 0.1, 0.5), stable_stretches(_worn(5, 0.1, 0.5)), BORE)


def test_honest_stretches_are_rarely_called_unstable() -> None:
    """Straight wear with normal scatter passes in about 98 of 100 cases."""
    stable = [stable_stretches(_worn(40, 0.2, 0.8, seed=seed))[0].is_stable for seed in range(600)]

    assert np.mean(stable) >= 0.965


def test_few_parts_are_said_to_be_few() -> None:
    """A Cpk from twenty parts comes with its interval and a caution."""
    values = _worn(20, 0.0, 0.8)
    found = process_capability(values, stable_stretches(values), BORE)

    assert found.words[-1] == "20 parts are few; 50 or more are usual"
    assert found.cpk.high - found.cpk.low > 0.5 * found.cpk.value


def test_a_one_sided_tolerance_has_no_cp() -> None:
    """A flatness or a least depth has room on one side only."""
    values = _worn(30, 0.0, 0.8)
    found = process_capability(values, stable_stretches(values), Tolerance(upper=21.0))

    assert found.cp is None
    assert found.cpk.value == pytest.approx((21.0 - np.mean(values)) / (3 * found.trend_compensated_sd_um))


def test_a_measurement_that_never_scattered_is_not_divided_by() -> None:
    """Ten equal readings give no finite index."""
    assert gauge_potential(20.0, 0.0) == (inf, inf)
    assert gauge_potential(20.0, 0.0, bias_um=3.0)[1] == -inf
    assert MeasurementCapability(u_ms_um=0.0, u_mp_um=0.0, tolerance_um=20.0).c_ms == inf


def test_a_measurement_is_capable_up_to_its_limits() -> None:
    """15 % of the tolerance for the probe itself, 30 % for everything."""
    assert MeasurementCapability(u_ms_um=0.7, u_mp_um=1.5, tolerance_um=21.0).is_capable
    assert not MeasurementCapability(u_ms_um=0.7, u_mp_um=1.6, tolerance_um=21.0).is_capable
    assert not MeasurementCapability(u_ms_um=0.8, u_mp_um=0.8, tolerance_um=21.0).is_capable
