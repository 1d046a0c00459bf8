"""The signs of the trade in the simulated machine: against the table below, and against the product's own.

The table is common practice: a bigger stored radius keeps the cutter off the wall, a bigger stored length keeps it
higher, an origin moves towards a datum and takes the cut with it.
"""

from pathlib import Path

import numpy as np
import pytest

from feedback.configuration.loading import load
from feedback.simulate.happenings import PartMoved, ProbeDrift, ProbeStep, ToolBroken
from feedback.simulate.physics import made_matrix, read_matrix
from feedback.simulate.plans import PartPlan
from feedback.simulate.reference import REFERENCE_PLAN
from feedback.simulate.scenario import Scenario, Setup
from feedback.simulate.writer import write_cell
from tests.simulate.bench import ALL_KINDS, moved, quiet, readings

TABLE = {
    "tool 5 radius": {"bore": -2, "pocket": -2, "boss": 2, "web": 2, "wall+": 1, "wall-": -1, "shared": -1},
    "tool 5 length": {"floor": 1, "seat": 1, "depth": -1},
    "tool 6 radius": {"shared": -1},
    "tool 12 radius": {},
    "work 54 X": {"datX": -1, "datX2": -1, "portX": 1},
    "work 54 Y": {"datY": -1},
    "work 54 Z": {"datZ": -1, "portZ": 1, "seat": 1},
}


@pytest.mark.parametrize("register", TABLE)
def test_signs_of_the_trade(register: str) -> None:
    """One micrometre more in a register moves each reading, and the feature itself, as the trade's table says."""
    setup = quiet()
    wanted = [TABLE[register].get(cut.id, 0) for _, cut in setup.features]
    assert read_matrix(setup, [register])[0] == pytest.approx(wanted)
    assert made_matrix(setup, [register])[0] == pytest.approx(wanted)


@pytest.mark.parametrize("plan", [ALL_KINDS, REFERENCE_PLAN], ids=lambda plan: plan.title)
def test_signs_agree_with_the_plan(plan: PartPlan, tmp_path: Path) -> None:
    """The product, which reads the plan's text, expects of every register what it does here."""
    setup = Setup(plans=(plan,))
    write_cell(tmp_path, Scenario(name="-", words="-", machines=(setup,)), parts=1, seed=1)
    features = load(tmp_path).plans[plan.part].features

    matrix = read_matrix(setup, setup.registers)
    for column, (_, cut) in enumerate(setup.features):
        moves = {name: um for name, um in zip(setup.registers, matrix[:, column], strict=True) if um}
        assert moves == {str(name): float(ratio) for name, ratio in features[cut.id].moves.items()}, cut.id


def test_worn_is_like_a_bigger_register() -> None:
    """A cutter that has lost radius leaves metal on every wall it cuts, and a drill drills small."""
    broken = moved(ToolBroken(part=0, tool=5, radius_um=1.0, length_um=0.0))
    assert broken == pytest.approx(TABLE["tool 5 radius"])
    assert moved(ToolBroken(part=0, tool=12, radius_um=1.0, length_um=0.0)) == pytest.approx({"drilled": -2.0})
    assert moved(ToolBroken(part=0, tool=5, radius_um=0.0, length_um=1.0)) == pytest.approx(TABLE["tool 5 length"])


def test_part_moved_along_an_axis() -> None:
    """Parts 5 um further along X: their face reads +5, the port cut from the old zero lies 5 short, no size moves."""
    assert moved(PartMoved(part=0, x_um=5.0)) == pytest.approx({"datX": 5.0, "datX2": 5.0, "portX": -5.0})
    assert moved(PartMoved(part=0, z_um=2.0)) == pytest.approx({"datZ": 2.0, "portZ": -2.0, "seat": -2.0})


def test_part_turned_moves_points_by_their_arm() -> None:
    """A turn of 0.1 mrad about X0 Y20 leaves the near point alone and moves the far one, 100 mm off, by 10 um."""
    turned = moved(PartMoved(part=0, turned_mrad=0.1, about_mm=(0.0, 20.0)))
    assert turned == pytest.approx({"datX2": -10.0, "datY": 3.0})


def test_turn_is_the_same_as_rotating_the_points() -> None:
    """For a small angle, a turn about a point moves each datum as a rotation matrix moves it."""
    mrad, (px, py) = 0.05, (12.0, -7.0)
    angle = mrad / 1000
    read = moved(PartMoved(part=0, turned_mrad=mrad, about_mm=(px, py)))
    for id, axis in (("datX", 0), ("datX2", 0), ("datY", 1)):
        x, y = ALL_KINDS.cut(id).place_mm
        arm = np.array([x - px, y - py])
        rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        assert read[id] == pytest.approx(((rotation @ arm - arm) * 1000)[axis], abs=1e-3)


def test_wrong_ball_reads_inside_large_and_outside_small() -> None:
    """A stored ball radius 1 um too big: inside sizes +2, outside sizes -2 whatever the tool, single faces half."""
    assert moved(ProbeStep(part=0, ball_um=1.0)) == pytest.approx(
        {
            "bore": 2.0,
            "pocket": 2.0,
            "shared": 2.0,
            "drilled": 2.0,
            "boss": -2.0,
            "web": -2.0,
            "wall+": -1.0,
            "wall-": 1.0,
            "datX": 1.0,
            "datX2": 1.0,
            "datY": 1.0,
            "portX": -1.0,
        }
    )


def test_wrong_ball_spoils_no_part() -> None:
    """The probe's error is in the readings alone: a measuring room would find the features as they were."""
    assert made_matrix(quiet(), ["ball"]) == pytest.approx(np.zeros((1, len(ALL_KINDS.cuts))))


def test_probe_drifts() -> None:
    """A drifting probe is a little more wrong with every part."""
    read = readings(quiet(ProbeDrift(part=3, ball_um=0.5)), parts=6)["bore"]
    assert read == pytest.approx([0, 0, 0, 1.0, 2.0, 3.0])
