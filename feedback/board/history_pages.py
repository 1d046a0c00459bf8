"""The history view for quality: the list with its filter, its CSV, and one correction's whole story on paper."""

from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from feedback.board import csvtext, history, proposal
from feedback.board.desk import Desk, desk_of, page
from feedback.board.proposal_pages import feature_names, limits_then
from feedback.board.times import stamp
from feedback.ledger import queries
from feedback.ledger.chain import Event

AFTERWARDS = ("hand-change", "locked", "released", "doubted")


def whole(request: Request) -> Response:
    """The list, newest first, a page at a time."""
    desk = desk_of(request)
    wanted = history.Filter.of(request.query_params)
    cell = desk.source.cell()
    with cell.store.reading() as sql:
        events = queries.story(sql, wanted.machine or None, tuple(history.KINDS))
        checkpoint = str(queries.head(sql))
    found = history.rows(events, wanted, desk.source.zone)
    asked = {name: value for name, value in request.query_params.items() if name != "before" and value}
    older = found[history.PAGE_ROWS - 1].number if len(found) > history.PAGE_ROWS else 0
    return page(
        request,
        "history.html",
        rows=found[: history.PAGE_ROWS],
        wanted=wanted,
        kinds=history.KINDS,
        machines=list(cell.configuration.machines),
        people=list(cell.configuration.people),
        checkpoint=checkpoint,
        older=urlencode({**asked, "before": older}) if older else "",
        asked=urlencode(asked),
    )


def as_csv(request: Request) -> Response:
    """The same rows, all of them, for a spreadsheet."""
    desk = desk_of(request)
    wanted = history.Filter.of(request.query_params)
    with desk.source.cell().store.reading() as sql:
        events = queries.story(sql, wanted.machine or None, tuple(history.KINDS))
    found = history.rows(events, wanted, desk.source.zone)
    return Response(
        csvtext.csv_text(history.HEAD, (row.cells() for row in found)),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="history.csv"'},
    )


def story(request: Request) -> Response:
    """Everything about one correction on one page that prints."""
    return page(request, "story.html", **_story(desk_of(request), request.path_params["id"]))


def _story(desk: Desk, id: str) -> dict[str, Any]:
    cell = desk.source.cell()
    found = cell.proposal(id)
    zone = desk.source.zone
    with cell.store.reading() as sql:
        events = queries.about(sql, id)
        around = queries.story(sql, found.machine, AFTERWARDS)
        effect = queries.effect(sql, id)
        checkpoint = str(queries.head(sql))
    return {
        "proposal": found,
        "content": found.content,
        "person_name": _person_name(cell, found.by),
        "why": proposal.why(found.content),
        "features": proposal.feature_lines(found.content, feature_names(cell, found.machine, found.register)),
        "steps": proposal.exact_steps(events, zone),
        "around": proposal.exact_steps(_meanwhile(around, events, found.register), zone),
        "effect": None if effect is None or effect["gain"] is None else proposal.gain_words(effect),
        "status_words": proposal.STATUSES.get(found.status, found.status),
        "limits": limits_then(found),
        "opened": stamp(round(found.opened_at.timestamp() * 1_000_000), zone),
        "numbers": ", ".join(str(event.seq) for event in events),
        "checkpoint": checkpoint,
    }


def _person_name(cell: Any, id: str | None) -> str:
    person = cell.configuration.people.get(id)
    return f"{person.name} ({id})" if person is not None else (id or "")


def _meanwhile(around: list[Event], own: list[Event], register: str) -> list[Event]:
    """What else happened to the register from the proposal on until its effect was known."""
    first, last = own[0].seq, own[-1].seq
    return [event for event in around if first < event.seq <= last + 1 and event.content.get("register") == register]


routes = [Route("/history", whole), Route("/history.csv", as_csv), Route("/story/{id}", story)]
