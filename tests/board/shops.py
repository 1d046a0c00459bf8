"""Cells for the board: a shop of several machines out of the sample logs, and a machine that goes on cutting."""

import shutil
from collections.abc import Iterable
from pathlib import Path

import feedback
from feedback.board.access import set_pin
from tests.stories.parts import PEOPLE, head_text, machine_text

SAMPLES = Path(__file__).parents[2] / "sample_logs"
PIN = "8351"
WITH_PINS = ("op1", "op2", "pe", "quality")

_SECOND = """
[person.op2]
name = "Operator 2"
may = ["review"]
"""


def shop_of(folder: Path, situations: dict[str, str], name: str = "Cell 3") -> Path:
    """A cell in `folder` whose machines live through the named sample situations; its logs have been read."""
    (folder / "parts").mkdir(parents=True)
    text = head_text(name) + PEOPLE + _SECOND
    for machine, situation in situations.items():
        text += machine_text(machine)
        for plan in (SAMPLES / situation / "parts").iterdir():
            shutil.copy(plan, folder / "parts")
        shutil.copytree(SAMPLES / situation / "logs" / "M1", folder / "logs" / machine)
    (folder / "cell.toml").write_text(text, encoding="utf-8")
    with feedback.open_cell(folder) as cell:
        cell.process()
    give_pins(folder)
    return folder


def give_pins(folder: Path, people: Iterable[str] = WITH_PINS) -> None:
    """Everybody gets the same PIN."""
    for person in people:
        set_pin(folder, person, PIN)
