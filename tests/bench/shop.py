"""A cell whose logs are made fast and in bulk: steady wear with noise, edges changed on time, corrections entered.

One part prints 9 lines: PART, two OFFSET, five FEATURE, END. Two tools and one work offset make three coupling groups.
"""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from tests.stories.parts import head_text, machine_text

LINES_A_PART = 9
READINGS_A_PART = 5
TOOL_LIFE = 300  # parts
WEAR_UM = 0.25  # radius lost per part
CORRECT_EVERY = 30  # parts between corrections a setter makes by hand

PERSON = """
[person.op1]
name = "Operator 1"
may = ["review", "release"]
"""
PLAN = """\
part = "7001"
material = "steel 1020"
probed_in = "54"

[[feature]]
id = "1"
kind = "bore"
nominal = "25 mm"
tolerance = "H7"
tool = 5

[[feature]]
id = "2"
kind = "bore"
nominal = "40 mm"
tolerance = "H7"
tool = 5

[[feature]]
id = "3"
kind = "floor"
nominal = "-12 mm"
tolerance = ["-0.030 mm", "+0.030 mm"]
tool = 7

[[feature]]
id = "4"
kind = "position"
role = "datum"
axis = "X"
nominal = "0 mm"
tolerance = ["-0.050 mm", "+0.050 mm"]
work = "54"

[[feature]]
id = "5"
kind = "position"
role = "datum"
axis = "Y"
nominal = "0 mm"
tolerance = ["-0.050 mm", "+0.050 mm"]
work = "54"
"""


def cell_text(names: Iterable[str]) -> str:
    """The cell.toml of a cell with machines of these names; how well their probes repeat is not stated."""
    return head_text("Bench cell", "UTC") + "".join(machine_text(name, None) for name in names) + PERSON


def make_cell(folder: Path, machines: int) -> None:
    """An empty cell folder with `machines` machines M1, M2, ..."""
    names = [f"M{i + 1}" for i in range(machines)]
    (folder / "parts").mkdir(parents=True)
    (folder / "cell.toml").write_text(cell_text(names))
    (folder / "parts" / "7001.toml").write_text(PLAN)
    for name in names:
        (folder / "logs" / name).mkdir(parents=True)


def part_texts(parts: int, seed: int, start: datetime, first: int = 1) -> Iterator[str]:
    """The log text of `parts` parts, six minutes apart."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, [0.0012, 0.0012, 0.0015, 0.0030, 0.0030], (parts, READINGS_A_PART))
    radius_wear = length_wear = 0.0
    lost_radius = lost_length = 0.0
    for i in range(parts):
        if i % TOOL_LIFE == 0:
            radius_wear = length_wear = lost_radius = lost_length = 0.0
        elif i % CORRECT_EVERY == 0:
            radius_wear, length_wear = -round(lost_radius, 3), -round(lost_length, 3)
        lost_radius += WEAR_UM / 1000
        lost_length += WEAR_UM / 2000
        off_radius = radius_wear + lost_radius
        errors = (
            0.0105 - 2 * off_radius + noise[i, 0],
            0.0125 - 2 * off_radius + noise[i, 1],
            length_wear + lost_length + noise[i, 2],
            noise[i, 3],
            noise[i, 4],
        )
        at = start + timedelta(minutes=6 * i)
        new_tool = "NEWTOOL 5\n" if i and i % TOOL_LIFE == 0 else ""
        yield (
            f"{new_tool}PART {first + i} PLAN 7001 DATE {at:%Y%m%d} TIME {at:%H%M%S}\n"
            f"OFFSET TOOL 5 RADIUS {radius_wear:.3f} LENGTH 0.000\n"
            f"OFFSET TOOL 7 RADIUS 0.000 LENGTH {length_wear:.3f}\n"
            f"FEATURE 1 ACTUAL {25 + errors[0]:.4f}\n"
            f"FEATURE 2 ACTUAL {40 + errors[1]:.4f}\n"
            f"FEATURE 3 ACTUAL {-12 + errors[2]:.4f}\n"
            f"FEATURE 4 ACTUAL {errors[3]:.4f}\n"
            f"FEATURE 5 ACTUAL {errors[4]:.4f}\n"
            f"END {first + i}\n"
        )


def write_history(folder: Path, machine: str, parts: int, seed: int, start: datetime) -> Path:
    """One file with `parts` parts in the machine's log folder."""
    path = folder / "logs" / machine / f"{start:%Y%m%d}.txt"
    with path.open("w", newline="\n") as log:
        log.writelines(part_texts(parts, seed, start))
    return path
