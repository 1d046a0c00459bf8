"""What was checked before a machine was handed over, as a document: probe, checks, studies, plans, cautions."""

from datetime import datetime
from typing import TYPE_CHECKING, Any

from feedback.configuration.check import report
from feedback.fitness.picture import svg
from feedback.fitness.verdict import shown
from feedback.reports.circle import around
from feedback.reports.heading import heading
from feedback.reports.page import page

if TYPE_CHECKING:
    from feedback.cell import Cell

STATES = {
    "fit": "The probe is fit to measure.",
    "due": "The check of the probe is due: it is not shown to be fit.",
    "failed": "The probe is NOT fit to measure.",
    "unknown": "The probe has not been checked yet.",
    "unchecked": "The probe is unchecked: no artefact is configured to check it on.",
}


def told(cell: "Cell", machine: str, now: datetime) -> dict[str, Any]:
    """All that the document says."""
    (probes,) = cell.probe(machine)["machines"]
    (study,) = cell.study(machine)["machines"]
    configuration = cell.configuration
    plans = next(found for found in report(configuration).as_json()["machines"] if found["machine"] == machine)
    unit = cell.machine(machine).unit
    artefacts = [one for one in configuration.artefacts.values() if one.is_for(machine)]
    return {
        **heading(cell, machine, now),
        "unit": unit,
        "answer": STATES[probes["state"]],
        "probes": probes,
        "study": study,
        "plans": plans,
        "artefacts": [
            {
                "name": one.name,
                "kind": one.kind,
                "size_mm": str(one.size_mm),
                "uncertainty_mm": str(one.uncertainty_mm),
                "error_limit_mm": str(one.error_limit_mm),
                "size": shown(one.size_mm, unit),
                "uncertainty": shown(one.uncertainty_mm, unit),
                "error_limit": shown(one.error_limit_mm, unit),
                "certificate_until": None if one.certificate_until is None else one.certificate_until.isoformat(),
            }
            for one in artefacts
        ],
        "open": _open(probes, study, plans),
    }


def _open(probes: dict[str, Any], study: dict[str, Any], plans: dict[str, Any]) -> list[str]:
    """What stands in the way of handing over, or was not looked at: the first thing to read."""
    unfit = [f"probe {one['probe']}: {one['words']}" for one in probes["probes"] if one["state"] != "fit"]
    narrow = [one["verdict_words"] for one in _verdicts(study) if one["fitness"] == "not fit"]
    return [*unfit, *study["open"], *narrow, *plans["warnings"]]


def _verdicts(study: dict[str, Any]) -> list[dict[str, Any]]:
    found = [one for one in study["features"] if one.get("fitness") is not None]
    return [{"fitness": one["fitness"], "verdict_words": one["words"]} for one in found]


def document(values: dict[str, Any]) -> str:
    """The document in HTML, with the chart of every artefact."""
    pictures = {
        (one["probe"], chart["artefact"]): svg(chart, f"Checks on {chart['artefact']}")
        for one in values["probes"]["probes"]
        for chart in one["charts"]
    }
    circles = {found["artefact"]: around(found) for found in values["study"]["rings"]}
    return page("commissioning.html", **values, pictures=pictures, circles=circles)
