"""The capability of one machine's process as a document."""

from datetime import datetime
from typing import TYPE_CHECKING, Any

from feedback.reports.commissioning import STATES
from feedback.reports.heading import heading
from feedback.reports.page import page

if TYPE_CHECKING:
    from feedback.cell import Cell


def told(cell: "Cell", machine: str, now: datetime) -> dict[str, Any]:
    """All that the document says."""
    (found,) = cell.capability(machine)["machines"]
    (probes,) = cell.probe(machine)["machines"]
    unfit = None if probes["state"] == "fit" else f"{STATES[probes['state']]} {probes['words']}"
    doubts = [doubt for one in probes["probes"] for doubt in one["doubts"]]
    return {**heading(cell, machine, now), "found": found, "unfit": unfit, "doubts": doubts}


def document(values: dict[str, Any]) -> str:
    """The document in HTML."""
    return page("capability.html", **values)
