"""Cells for the board: a shop of several machines out of the sample logs, and a machine that goes on cutting."""

import shutil
from collections.abc import Iterable
from pathlib import Path

import feedback
from feedback.board.access import set_pin

SAMPLES = Path(__file__).parents[2] / "sample_logs"
PIN = "8351"
PEOPLE = ("op1", "op2", "pe", "quality")

_HEAD = """\
[cell]
name = "{name}"
time_zone = "Europe/Lisbon"
store = "sqlite"

[person.op1]
name = "Operator 1"
may = ["review"]

[person.op2]
name = "Operator 2"
may = ["review"]

[person.pe]
name = "Process engineer"
may = ["review", "limits", "release"]

[person.quality]
name = "Quality"
may = ["release"]
"""
_MACHINE = """
[machine.{name}]
logs = "logs/{name}"
layout = "pairs"
unit = "mm"
least_increment = "0.001 mm"
dialect = "g10-memory"
tool_radius = "radius"
lag = 1
repeatability = "0.0008 mm"
"""


def shop_of(folder: Path, situations: dict[str, str], name: str = "Cell 3") -> Path:
    """A cell in `folder` whose machines live through the named sample situations; its logs have been read."""
    (folder / "parts").mkdir(parents=True)
    text = _HEAD.format(name=name)
    for machine, situation in situations.items():
        text += _MACHINE.format(name=machine)
        for plan in (SAMPLES / situation / "parts").iterdir():
            shutil.copy(plan, folder / "parts")
        shutil.copytree(SAMPLES / situation / "logs" / "M1", folder / "logs" / machine)
    (folder / "cell.toml").write_text(text, encoding="utf-8")
    with feedback.open_cell(folder) as cell:
        cell.process()
    give_pins(folder)
    return folder


def give_pins(folder: Path, people: Iterable[str] = PEOPLE) -> None:
    """Everybody gets the same PIN."""
    for person in people:
        set_pin(folder, person, PIN)
