"""The probe view: fit to measure or not, the chart of its checks, what is due, doubts, and what studies found."""

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from feedback.board.access import may
from feedback.board.acting import Form, acted
from feedback.board.desk import Desk, desk_of, page
from feedback.board.guard import PICTURE_POLICY
from feedback.board.times import told
from feedback.errors import UsageError
from feedback.ledger.chain import microseconds

STATES = {
    "fit": "Fit to measure",
    "due": "Check it now",
    "failed": "Not fit to measure",
    "unknown": "Not checked yet",
    "unchecked": "Nothing to check it on",
}
TO_DO = {
    "fit": "Nothing to do.",
    "due": "Probe the artefact; nothing is proposed until it passes.",
    "failed": "Calibrate, then probe the artefact; nothing is proposed until it passes.",
    "unknown": "Probe the artefact; until then proposals carry that caution.",
    "unchecked": "Configure a ring or gauge in cell.toml; until then proposals carry that caution.",
}
MARKS = {"fit": "leave", "due": "wait", "failed": "stop", "unknown": "unknown", "unchecked": "unknown"}
CHECKS = 12


def whole(request: Request) -> Response:
    """The page of all probes."""
    return page(request, "probe.html", **_seen(desk_of(request)), refused="", typed={})


def _seen(desk: Desk) -> dict[str, Any]:
    cell = desk.source.cell()
    return {
        "machines": [_machine(desk, machine) for machine in cell.probe()["machines"]],
        "studies": cell.study()["machines"],
        "people": may(cell.configuration.people, "release"),
    }


def _machine(desk: Desk, machine: dict[str, Any]) -> dict[str, Any]:
    return {**machine, "probes": [_probe(desk, probe) for probe in machine["probes"]]}


def _probe(desk: Desk, probe: dict[str, Any]) -> dict[str, Any]:
    """One probe with its times as people say them, the newest checks first."""
    due = [_time(desk, probe["due_at"])] if probe["due_at"] else []
    due += [f"after {probe['due_after_parts']} parts"] if probe["due_after_parts"] is not None else []
    return {
        **probe,
        "headline": STATES[probe["state"]],
        "to_do": TO_DO[probe["state"]],
        "mark": MARKS[probe["state"]],
        "since": _time(desk, probe["since"]),
        "due": " or ".join(due) + (f" on {probe['due_on']}" if due and probe["due_on"] else ""),
        "calibrated": "" if probe["calibration"] is None else _time(desk, probe["calibration"]["time"]),
        "newest": [{**check, "at": _time(desk, check["time"])} for check in probe["checks"][: -CHECKS - 1 : -1]],
        "doubts": [{**doubt, "from": _time(desk, doubt["since"])} for doubt in probe["doubts"]],
    }


def _time(desk: Desk, text: str | None) -> str:
    from datetime import datetime

    if text is None:
        return ""
    return told(microseconds(datetime.fromisoformat(text)), desk.source.zone, desk.settings.now())


def chart(request: Request) -> Response:
    """The chart of one artefact's checks."""
    from feedback.fitness.picture import svg

    query = request.query_params
    for machine in desk_of(request).source.cell().probe(query.get("machine"))["machines"]:
        for probe in machine["probes"]:
            for found in probe["charts"]:
                if (str(probe["probe"]), found["artefact"]) == (query.get("probe"), query.get("artefact")):
                    title = f"{machine['machine']} probe {probe['probe']} on {found['artefact']}"
                    headers = {"content-security-policy": PICTURE_POLICY}
                    return Response(svg(found, title), media_type="image/svg+xml", headers=headers)
    raise UsageError("there is no such chart; the page of the probes names those there are: /probe")


async def lift(request: Request) -> Response:
    """A person answers for what was measured while a probe failed."""
    desk = desk_of(request)
    return await acted(request, _lift, "probe.html", lambda _: _seen(desk), "/probe")


def _lift(form: Form) -> None:
    person, why = form.person("lifts the doubt"), form.reason("lifting a doubt needs", "what was found")
    number = form.field("probe")
    if not (number.isascii() and number.isdigit()):
        raise UsageError("found no probe; nothing was changed; open the page anew")
    form.check_pin()
    with form.desk.source.acting:
        form.desk.source.cell().release_probe(form.field("machine"), int(number), by=person, why=why)


routes = [
    Route("/probe", whole),
    Route("/probe/chart.svg", chart),
    Route("/probe/lift", lift, methods=["POST"]),
]
