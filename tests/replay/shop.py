"""A simulated cell in closed loop with the tool: every proposal is accepted at once and entered after the lag."""

from datetime import UTC, timedelta
from pathlib import Path

import feedback
from feedback.simulate.cell import Cell
from feedback.simulate.scenario import Scenario
from feedback.simulate.writer import cell_texts


def closed_loop(folder: Path, scenario: Scenario, seed: int, parts: int, limits: str | None = None) -> Cell:
    """Cut so many parts in `folder`, the tool deciding after each; the simulated cell comes out."""
    texts = cell_texts(scenario)
    for name, text in (texts if limits is None else {**texts, "limits.toml": limits}).items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="ascii")
    shop = Cell(scenario, seed)
    with feedback.open_cell(folder) as cell:
        for _ in range(parts):
            for name, part in shop.cut().items():
                _deliver(cell, shop, name, shop.log_text(part))
    return shop


def _deliver(cell: feedback.Cell, shop: Cell, name: str, text: str) -> None:
    machine = shop.machine(name)
    now = machine.at.replace(tzinfo=UTC) + timedelta(minutes=1)
    document = cell.feed(name, text, now=now)
    (answer,) = [one for one in document["machines"] if one["machine"] == name]
    for decision in answer["decisions"]:
        proposal = decision.get("proposal")
        if proposal is not None and proposal["status"] == "open":
            cell.accept(proposal["id"], by="op1", now=now)
            machine.enter_mm(decision["register"], proposal["new_mm"])
