"""How edges wear, against published series: fast, then evenly, then faster; a worn flank costs radius.

Series: tool wear data of an exercise in Groover, Fundamentals of Modern Manufacturing (flank wear in mm over minutes,
at 100 and 155 m/min), with the tool lives to 0.75 mm and the exponent of Taylor's equation that follow from them.
Radial loss: VB tan(clearance), and with rake VB tan(a) / (1 - tan(a) tan(rake)); recomputed.
"""

import math

import numpy as np
import pytest

from feedback.simulate.happenings import FasterWear, NewEdge
from feedback.simulate.wear import Cutter, WearCurve
from tests.simulate.bench import moved, quiet, readings

AT_100 = {1: 0.12, 5: 0.27, 11: 0.45, 15: 0.58, 20: 0.73, 25: 0.97}
AT_155 = {1: 0.22, 5: 0.47, 9: 0.70, 11: 0.80, 13: 0.99}

# Our curve, laid through each series: micrometres of flank wear, minutes.
CURVE_100 = WearCurve(break_in_um=112, break_in=0.6, per_part_um=31.5, onset=20, acceleration_um=2.8)
CURVE_155 = WearCurve(break_in_um=170, break_in=0.4, per_part_um=57.5, onset=11, acceleration_um=18)


def life(curve: WearCurve, flank_um: float) -> float:
    """Minutes until the flank has worn so far."""
    minutes = np.linspace(0, 40, 40_001)
    return float(minutes[np.searchsorted(curve.at(minutes), flank_um)])


@pytest.mark.parametrize(("curve", "series"), [(CURVE_100, AT_100), (CURVE_155, AT_155)], ids=["100", "155 m/min"])
def test_shape_of_flank_wear(curve: WearCurve, series: dict[int, float]) -> None:
    """The three phases follow a measured series to 20 um, about what the eye reads off a worn flank."""
    minutes = np.array(list(series), dtype=float)
    assert curve.at(minutes) == pytest.approx(np.array(list(series.values())) * 1000, abs=20)


def test_slopes_of_flank_wear() -> None:
    """At 155 m/min the first minute takes 0.22 mm, the steady phase 0.0625 to 0.05 a minute, the last one 0.095."""
    minutes = np.array(list(AT_155), dtype=float)
    slopes = np.diff(CURVE_155.at(minutes)) / np.diff(minutes)

    assert CURVE_155.at(np.array(1.0)) == pytest.approx(220, abs=10)
    assert slopes == pytest.approx([62.5, 57.5, 50.0, 95.0], abs=9)  # differences of two readings off by 9 um
    assert slopes[-1] > 1.5 * slopes[-2]


def test_taylor_exponent() -> None:
    """Lives to 0.75 mm are 20.4 and 10.0 min, which gives n = 0.614 in V T^n = C."""
    lives = life(CURVE_100, 750), life(CURVE_155, 750)

    assert lives == pytest.approx((20.4167, 10.0), rel=0.03)
    assert math.log(155 / 100) / math.log(lives[0] / lives[1]) == pytest.approx(0.6140, rel=0.03)


@pytest.mark.parametrize(("clearance", "loss"), [(5, 26.247), (7, 36.835), (10, 52.898), (15, 80.385)])
def test_radius_behind_flank_wear(clearance: float, loss: float) -> None:
    """A flank worn by 300 um at 7 degrees of clearance has cost 36.8 um of radius."""
    assert WearCurve(per_part_um=300.0).radial(clearance).at(np.array(1.0)) == pytest.approx(loss, abs=5e-4)


def test_radius_behind_flank_wear_with_rake() -> None:
    """With 6 degrees of rake as well it is 37.3 um."""
    assert WearCurve(per_part_um=300.0).radial(7, 6).at(np.array(1.0)) == pytest.approx(37.317, abs=5e-4)


def test_every_phase_reaches_the_radius() -> None:
    """Break-in, steady wear and acceleration are all scaled by the clearance."""
    minutes = np.linspace(0, 15, 31)
    assert CURVE_155.radial(7).at(minutes) == pytest.approx(CURVE_155.at(minutes) * math.tan(math.radians(7)))


def test_bore_shrinks_twice_the_radius() -> None:
    """A cutter that loses 0.3 um of radius a part makes every bore 0.6 um smaller than the one before."""
    read = readings(quiet(cutters=(Cutter(number=5, radius=WearCurve(per_part_um=0.3)),)), parts=11)
    assert read["bore"] == pytest.approx(-0.6 * np.arange(11))
    assert read["boss"] == pytest.approx(0.6 * np.arange(11))
    assert read["drilled"] == pytest.approx(0)


def test_used_edge_goes_on_where_it_was() -> None:
    """A scenario may begin with an edge past its break-in; its loss counts from set-up."""
    curve = WearCurve(break_in_um=20, break_in=5, per_part_um=0.2)
    read = readings(quiet(cutters=(Cutter(number=5, length=curve, age=100),)), parts=6)
    assert read["floor"] == pytest.approx(0.2 * np.arange(6), abs=1e-6)


def test_new_edge_wears_from_new() -> None:
    """A new edge stands a little off, breaks in again, and the loss of the old one is gone."""
    curve = WearCurve(break_in_um=10, break_in=2)
    setup = quiet(NewEdge(part=20, tool=5, length_um=7.0), cutters=(Cutter(number=5, length=curve),))
    floor = readings(setup, parts=40)["floor"]
    assert floor[19] == pytest.approx(10, abs=1e-3)
    assert floor[20:] == pytest.approx(floor[:20] - 7.0)


def test_edges_differ() -> None:
    """Rates of edges scatter by the stated share of their mean: 30 % over 300 edges, within three standard errors."""
    cutter = Cutter(number=5, length=WearCurve(per_part_um=1.0), rate_spread=0.3, changed_every=10, edge_um=(0.0, 0.0))
    floor = readings(quiet(cutters=(cutter,)), parts=3000)["floor"]
    rates = floor[9::10] / 9
    assert rates.mean() == pytest.approx(1.0, abs=3 * 0.3 / math.sqrt(300))
    assert rates.std(ddof=1) == pytest.approx(0.3, abs=3 * 0.3 / math.sqrt(600))


def test_uneven_steps() -> None:
    """Steps from part to part scatter as stated, and only where the cutter wears at all."""
    cutter = Cutter(number=5, length=WearCurve(per_part_um=0.5), walk_um=0.4)
    read = readings(quiet(cutters=(cutter,)), parts=2001)
    steps = np.diff(read["floor"])
    assert steps.mean() == pytest.approx(0.5, abs=3 * 0.4 / math.sqrt(2000))
    assert steps.std(ddof=1) == pytest.approx(0.4, abs=3 * 0.4 / math.sqrt(4000))
    assert read["bore"] == pytest.approx(0)


def test_scheduled_edges_stand_off_by_five_to_twenty() -> None:
    """New edges differ from their set-up geometry by 5 to 20 um, either way (common practice)."""
    floor = readings(quiet(cutters=(Cutter(number=5, changed_every=1),)), parts=400)["floor"][1:]
    assert np.all((np.abs(floor) >= 5) & (np.abs(floor) <= 20))
    assert 150 < np.count_nonzero(floor > 0) < 250


def test_faster_wear_ends_with_the_edge() -> None:
    """Harder material takes more with every part, its own first part included, until the edge is changed."""
    setup = quiet(FasterWear(part=2, tool=5, length_um=0.5), NewEdge(part=6, tool=5))
    assert readings(setup, parts=8)["floor"] == pytest.approx([0, 0, 0.5, 1.0, 1.5, 2.0, 0, 0])


def test_shared_pocket_has_one_wall_of_each() -> None:
    """A pocket between a wall of tool 5 and one of tool 6 answers for half of what each has lost."""
    assert moved(NewEdge(part=0, tool=6, radius_um=4.0)) == pytest.approx({"shared": 4.0})
