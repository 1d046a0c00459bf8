"""Warm parts and warm machines.

Expansion: Callister, Materials Science and Engineering, appendix B, table B.6 (6061: 23.6e-6 /K); steel gauges 11.5e-6
(JCGM 100:2008, H.1); reference temperature 20 degC (ISO 1:2016). The worked lengths are exact.
"""

import math

import numpy as np
import pytest

from feedback.simulate.happenings import Pause
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.warming import Growth, PartWarmth, expansion_um
from tests.simulate.bench import quiet, readings

GROWTH = Growth(z_um=10.0, y_um=3.0, hours=0.75)


@pytest.mark.parametrize(
    ("length_mm", "cte", "scale_cte", "at_c", "um"),
    [
        (100, 23.6e-6, 0.0, 25, 11.8),
        (100, 11.5e-6, 0.0, 25, 5.75),
        (50, 11.5e-6, 0.0, 23, 1.725),
        (200, 23.6e-6, 11.5e-6, 28, 19.36),
    ],
)
def test_worked_lengths(length_mm: float, cte: float, scale_cte: float, at_c: float, um: float) -> None:
    """100 mm of aluminium 6061 at 25 degC read 11.8 um too long; a scale as warm takes its own share off."""
    assert expansion_um(length_mm, cte, at_c, scale_cte) == pytest.approx(um, abs=1e-9)


def test_warm_part_reads_long() -> None:
    """The 100 mm web of 6061 at 25 degC reads +11.8 um although it is right, and a datum at zero does not move."""
    part = SimulatedMachine(quiet(warmth=PartWarmth(part_c=25.0)), seed=1).cut()
    column = [cut.id for _, cut in quiet().features].index("web")
    assert part.read_um[column] == pytest.approx(11.8)
    assert part.made_um == pytest.approx(0)
    assert readings(quiet(warmth=PartWarmth(part_c=25.0)))["datX"] == pytest.approx(0)


def test_scale_takes_its_share() -> None:
    """Read against a scale of 11.5e-6 as warm as the part, 100 mm at 28 degC are off by half of 19.36 um."""
    warmth = PartWarmth(part_c=28.0, scale_cte_per_k=11.5e-6)
    assert readings(quiet(warmth=warmth))["web"] == pytest.approx(19.36 / 2)


def test_machine_grows_like_every_heated_body() -> None:
    """After one time constant the head has come down 63 % of its way, after five practically all of it."""
    minutes = np.array([0.0, 45.0, 90.0, 225.0])
    assert GROWTH.share(minutes, {}) == pytest.approx([0, 1 - math.exp(-1), 1 - math.exp(-2), 1 - math.exp(-5)])


def test_machine_cools_over_a_pause_and_grows_again() -> None:
    """A night of 12 h brings the machine back to cold; after half an hour much of the growth is still there."""
    night = GROWTH.share(np.array([0.0, 300.0, 300 + 720.0, 345 + 720.0]), {2: 12.0})
    assert night == pytest.approx([0, 1 - math.exp(-300 / 45), 0, 1 - math.exp(-1)], abs=1e-3)

    lunch = GROWTH.share(np.array([0.0, 450.0, 480.0]), {2: 0.5})
    assert lunch[2] == pytest.approx(math.exp(-30 / 45), abs=1e-3)


def test_growth_moves_everything_read_from_a_datum() -> None:
    """Warm, the datum reads +10 in Z and whatever is cut along Z lies 10 too low from it; no size moves."""
    read = {id: values[-1] for id, values in readings(quiet(growth=GROWTH), parts=100).items()}
    assert {id: um for id, um in read.items() if abs(um) > 1e-3} == pytest.approx(
        {"datZ": 10.0, "seat": -10.0, "portZ": -10.0, "datY": -3.0}, abs=1e-3
    )


def test_growth_hides_from_the_coordinate_system_that_cut() -> None:
    """A floor read from the same zero that cut it shows growth only where the head has gone back before probing."""
    back = Growth(z_um=10.0, left_when_probing=0.25)
    assert readings(quiet(growth=GROWTH), parts=100)["floor"][-1] == pytest.approx(0)
    assert readings(quiet(growth=back), parts=100)["floor"][-1] == pytest.approx(-7.5, abs=1e-3)


def test_part_zero_mends_growth() -> None:
    """Moving the part zero by its own error brings the Z readings of a warm machine back to nominal."""
    machine = SimulatedMachine(quiet(growth=GROWTH), seed=1)
    warm = machine.cut_parts(100)[-1]
    assert machine.error_um(warm, "work 54 Z") == pytest.approx(-10.0, abs=1e-3)

    machine.enter_mm("work 54 Z", -210.004 + 0.010)
    mended = machine.cut()
    assert machine.error_um(mended, "work 54 Z") == pytest.approx(0, abs=1e-3)
    assert np.abs(mended.read_um).max() == pytest.approx(3.0, abs=1e-3)  # what is left is Y's


def test_machine_restarted_after_a_night_is_cold_again() -> None:
    """The first part after a night reads as the first of all did, and the growth begins anew."""
    seat = readings(quiet(Pause(part=100, hours=14.0), growth=GROWTH), parts=200)["seat"]
    assert seat[99] == pytest.approx(-10.0, abs=1e-3)
    assert seat[100:] == pytest.approx(seat[:100], abs=1e-3)


def test_growth_begins_when_the_spindle_runs_fast() -> None:
    """Before the stated part a machine that ran gently has not grown at all."""
    late = Growth(z_um=10.0, hours=0.75, from_part=30)
    seat = readings(quiet(Pause(part=10, hours=1.0), growth=late), parts=60)["seat"]
    assert seat[:31] == pytest.approx(0)
    assert seat[31:] == pytest.approx(readings(quiet(growth=GROWTH), parts=30)["seat"][1:])
    assert readings(quiet(growth=late), parts=5)["seat"] == pytest.approx(0)


def test_temperature_swings_over_the_day() -> None:
    """A swing of 3 degrees is at its height after six hours, and back after twelve."""
    warmth = PartWarmth(part_c=21.0, swing_c=3.0)
    rng = np.random.default_rng(1)
    assert warmth.at_c(np.array([0.0, 360.0, 720.0, 1080.0]), rng) == pytest.approx([21, 24, 21, 18])


def test_pause_stands_in_the_clock() -> None:
    """Two hours of pause before a part show in its time."""
    machine = SimulatedMachine(quiet(Pause(part=1, hours=2.0), minutes=8.0), seed=1)
    machine.cut()
    before = machine.at
    machine.cut()
    assert (machine.at - before).total_seconds() == 60 * 128
