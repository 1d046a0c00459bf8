"""Simulated shops for replays: the pasts of uncorrected machines, and cells in closed loop with the tool."""

from collections.abc import Iterator, Sequence
from datetime import UTC, timedelta
from decimal import Decimal
from pathlib import Path

import numpy as np

import feedback
from feedback.configuration.facts import Group
from feedback.follow import Happening, PartSeen, RegisterSeen, ToolSeen
from feedback.replay.following import followed
from feedback.replay.lanes import Lanes, lanes_of
from feedback.replay.past import GroupPast
from feedback.simulate.cell import Cell
from feedback.simulate.errors import SimulatedErrors
from feedback.simulate.scenario import Scenario
from feedback.simulate.scenarios import SITUATIONS
from feedback.simulate.writer import cell_texts
from tests.bench.bench_machine import BenchMachine

SECOND_US = 1_000_000


def uncorrected(name: str, parts: int, seed: int) -> list[GroupPast]:
    """The pasts of a situation's machine, which prints its registers with every part and is never corrected."""
    bench = BenchMachine(SITUATIONS[name])
    errors = bench.errors(parts, [seed])
    numbers = {part: part for part in range(parts)}
    pasts = (followed(group, bench.machine, happenings(group, errors, parts), numbers, ()) for group in bench.groups)
    return [past for past in pasts if past is not None]


def happenings(group: Group, errors: SimulatedErrors, parts: int) -> list[Happening]:
    """What a control prints of one group, readings to a tenth of a micrometre."""
    return [one for part in range(parts) for one in _of_part(group, errors, part)]


def _of_part(group: Group, errors: SimulatedErrors, part: int) -> Iterator[Happening]:
    at_us = (part + 1) * SECOND_US
    columns = [errors.registers.index(str(register)) for register in group.registers]
    for tool in {r.tool for r, c in zip(group.registers, columns, strict=True) if errors.is_zeroed[0, part, c]}:
        if tool is not None:
            yield ToolSeen(tool=tool, at_us=at_us - 1, source=f"{part}")
    for register, column in zip(group.registers, columns, strict=True):
        value = Decimal(round(float(errors.untouched_um[0, part, column]))) / 1000
        yield RegisterSeen(register=register, value=value, at_us=at_us, source=f"{part} {register}")
    read = {
        feature.key: round(float(errors.read_um[0, part, errors.features.index(feature.key)]), 1)
        for feature in group.features
    }
    believed = {key: um for key, um in read.items() if not np.isnan(um)}
    if believed:
        yield PartSeen(part_id=part, part=str(part), at_us=at_us, deviations=believed)


def lanes(pasts: Sequence[GroupPast]) -> list[Lanes]:
    """Their lanes, with blocks over all their time."""
    since_us, until_us = min(int(past.at_us[0]) for past in pasts), max(int(past.at_us[-1]) for past in pasts)
    return [lanes_of(past, since_us, until_us) for past in pasts]


def closed_loop(
    folder: Path, scenario: Scenario, seed: int, parts: int, limits: str | None = None, late: int = 0
) -> Cell:
    """Cut so many parts in `folder`, the tool deciding after each; the simulated cell comes out.

    Every proposal is accepted at once and keyed in `late` parts later than the machine's lag says.
    """
    texts = cell_texts(scenario)
    for name, text in (texts if limits is None else {**texts, "limits.toml": limits}).items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="ascii")
    shop = Cell(scenario, seed)
    waiting: list[tuple[int, str, str, float]] = []
    with feedback.open_cell(folder) as cell:
        for count in range(parts):
            for name, part in shop.cut().items():
                accepted = _deliver(cell, shop, name, shop.log_text(part))
                waiting += [(count + late, name, register, value) for register, value in accepted]
            for due, name, register, value in waiting:
                if due == count:
                    shop.machine(name).enter_mm(register, value)
    return shop


def _deliver(cell: feedback.Cell, shop: Cell, name: str, text: str) -> Iterator[tuple[str, float]]:
    """The corrections accepted after one part: register and new value."""
    machine = shop.machine(name)
    now = machine.at.replace(tzinfo=UTC) + timedelta(minutes=1)
    document = cell.feed(name, text, now=now)
    (answer,) = [one for one in document["machines"] if one["machine"] == name]
    for decision in answer["decisions"]:
        proposal = decision.get("proposal")
        if proposal is not None and proposal["status"] == "open":
            cell.accept(proposal["id"], by="op1", now=now)
            yield decision["register"], proposal["new_mm"]
