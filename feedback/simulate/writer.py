"""Writes a simulated cell as a complete cell folder: configuration, plans, limits and logs."""

from collections.abc import Iterator
from pathlib import Path
from typing import Final

from feedback.simulate.cell import Cell
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.scenario import Scenario, Setup

_PEOPLE: Final = """
[person.op1]
name = "Operator 1"
may = ["review"]

[person.pe]
name = "Process engineer"
may = ["review", "limits", "release"]

[person.quality]
name = "Quality"
may = ["release"]
"""
_RING: Final = """
[artefact.RING1]
kind = "ring"
size = "40.00062 mm"
uncertainty = "0.0008 mm"
material = "steel"
error_limit = "0.003 mm"
due = "{due} parts"
"""
_LIMITS: Final = """\
# The shipped defaults, written out; widen or narrow them and see what changes.
[default]
band = "30 %"
aim = "50 %"
step = "0.020 mm"
travel = "0.150 mm"
settle = 2
evidence = 3
confidence = "99 %"
expires = "10 parts"
"""


def cell_texts(scenario: Scenario) -> dict[str, str]:
    """Relative path -> text of every configuration file."""
    cell = '[cell]\nname = "Simulated cell"\ntime_zone = "UTC"\nstore = "sqlite"\n'
    rings = [setup.ring_every for setup in scenario.machines if setup.ring_every is not None]
    ring = _RING.format(due=2 * max(rings)) if rings else ""
    plans = {plan.part: plan for setup in scenario.machines for plan in setup.plans}
    return {
        "cell.toml": cell + "".join(_machine(setup) for setup in scenario.machines) + ring + _PEOPLE,
        "limits.toml": _LIMITS,
        **{f"parts/{part}.toml": plan.toml() for part, plan in plans.items()},
    }


def _machine(setup: Setup) -> str:
    increment = "0.001 mm" if setup.unit == "mm" else "0.0001 in"
    return f"""
[machine.{setup.name}]
logs = "logs/{setup.name}"
layout = "{setup.layout}"
unit = "{setup.unit}"
least_increment = "{increment}"
dialect = "g10-memory"
tool_radius = "{setup.tool_radius}"
lag = {setup.lag}
{_setter(setup)}"""


def _setter(setup: Setup) -> str:
    return "" if setup.setter is None else f'setter = "{setup.setter.sd_um:g} um"\n'


def write_cell(folder: Path, scenario: Scenario, parts: int, seed: int) -> Cell:
    """A new cell folder in which every machine has cut so many parts, uncorrected; gives the cell, to go on with.

    A file for each day under logs/<machine>/. Raises FileExistsError rather than write over anything.
    """
    for name, text in cell_texts(scenario).items():
        _write(folder / name, text)
    cell = Cell(scenario, seed)
    for machine in cell.machines.values():
        (folder / "logs" / machine.setup.name).mkdir(parents=True, exist_ok=True)
        for day, text in _days(machine, parts):
            _write(folder / "logs" / machine.setup.name / f"{day}.txt", text)
    return cell


def _days(machine: SimulatedMachine, parts: int) -> Iterator[tuple[str, str]]:
    days: dict[str, list[str]] = {}
    for _ in range(parts):
        part = machine.cut()
        days.setdefault(f"{machine.at:%Y%m%d}", []).append(machine.log_text(part))
    return ((day, machine.header + "".join(texts)) for day, texts in days.items())


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("x", encoding="ascii", newline="\n") as file:
        file.write(text)
