"""Capability indices against the NIST/SEMATECH e-Handbook and the identities of ISO 22514-7."""

import numpy as np
import pytest

from feedback.metrology.capability import (
    MeasurementCapability,
    capability_index,
    gauge_potential,
    measuring_system_um,
    worst_side_index,
)
from feedback.metrology.conformity import Tolerance

HANDBOOK = Tolerance(lower=8.0, upper=20.0)  # e-Handbook 6.1.6: USL 20, LSL 8, mean 16, s 2


def test_the_handbook_example_of_capability() -> None:
    """Published: Cp 1.0, Cpk 0.6667, lower side 1.3333."""
    cp = capability_index(HANDBOOK, 2.0, 49)
    assert cp is not None
    assert cp.value == pytest.approx(1.0)
    assert worst_side_index(16.0, HANDBOOK, 2.0, 50, 49).value == pytest.approx(0.6667, abs=5e-5)
    assert worst_side_index(16.0, Tolerance(lower=8.0), 2.0, 50, 49).value == pytest.approx(1.3333, abs=5e-5)


def test_intervals_hold_the_true_index_as_often_as_they_say() -> None:
    """Of 95 % intervals for Cp and Cpk from 50 parts, 95 % hold the truth (simulated, 4000 processes)."""
    rng = np.random.default_rng(42)
    rows = rng.normal(16.0, 2.0, (4000, 50))
    held_cp = held_cpk = 0
    for centre, sd in zip(rows.mean(axis=1).tolist(), rows.std(axis=1, ddof=1).tolist(), strict=True):
        cp, cpk = capability_index(HANDBOOK, sd, 49), worst_side_index(centre, HANDBOOK, sd, 50, 49)
        assert cp is not None
        held_cp += cp.low <= 1.0 <= cp.high
        held_cpk += cpk.low <= 2 / 3 <= cpk.high

    assert held_cp / 4000 == pytest.approx(0.95, abs=0.012)
    assert held_cpk / 4000 == pytest.approx(0.95, abs=0.012)


def test_the_constructed_measuring_system() -> None:
    """T 60 um, s 0.6, bias 0.4, u_CAL 0.3, resolution 0.5 um: C_g 3.3333, C_gk 3.1111, u_MS .709460, Q_MS 4.7297 %,
    C_MS 4.22857 (constructed; no published worked example was at hand)."""
    u_ms = measuring_system_um(calibration_um=0.3, repeat_um=0.6, resolution_um=0.5, bias_um=0.4)
    found = MeasurementCapability(u_ms_um=u_ms, u_mp_um=u_ms, tolerance_um=60.0)

    assert gauge_potential(60.0, 0.6, 0.4) == pytest.approx((3.3333, 3.1111), abs=5e-5)
    assert u_ms == pytest.approx(0.709460, abs=5e-7)
    assert (found.q_ms, found.c_ms) == pytest.approx((0.047297, 4.22857), abs=5e-6)


def test_both_ways_to_state_a_limit_are_the_same_limit() -> None:
    """Q_MS = 15 % just where C_MS = 4/3, and Q_MP = 30 % just where C_MP = 4/3 (ISO 22514-7)."""
    found = MeasurementCapability(u_ms_um=0.15 * 60 / 4, u_mp_um=0.30 * 60 / 4, tolerance_um=60.0)

    assert (found.q_ms, found.q_mp) == pytest.approx((0.15, 0.30), abs=1e-15)
    assert (found.c_ms, found.c_mp) == pytest.approx((4 / 3, 4 / 3), abs=1e-15)
    assert found.smallest_tolerance_um == pytest.approx(60.0)
