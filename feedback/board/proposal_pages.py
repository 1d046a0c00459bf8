"""The proposal view, and the answers of people to it."""

from functools import partial
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from feedback.board import proposal
from feedback.board.access import may
from feedback.board.acting import Form, acted
from feedback.board.desk import Desk, desk_of, page
from feedback.board.guard import PICTURE_POLICY
from feedback.board.shop import reading_words
from feedback.configuration.words import limit_facts
from feedback.errors import TrueupError, UsageError
from feedback.ledger import queries
from feedback.registers import register
from rules.limits import Limits


def whole(request: Request) -> Response:
    """The page of one proposal."""
    return page(request, "proposal.html", **_seen(desk_of(request), request.path_params["id"]), refused="", typed={})


def standing(request: Request) -> Response:
    """What of the page changes: what became of the proposal, and the form while it can be answered."""
    seen = _seen(desk_of(request), request.path_params["id"])
    return page(request, "_standing.html", **seen, refused="", typed={})


def _seen(desk: Desk, id: str) -> dict[str, Any]:
    cell = desk.source.cell()
    found = cell.proposal(id)
    with cell.store.reading() as sql:
        events = queries.about(sql, id)
        effect = queries.effect(sql, id)
    now, zone = desk.settings.now(), desk.source.zone
    reader = desk.live.state.reader
    return {
        "proposal": found,
        "content": found.content,
        "page_words": found.content["page"],
        "why": proposal.why(found.content),
        "features": proposal.feature_lines(found.content, feature_names(cell, found.machine, found.register)),
        "steps": proposal.steps(events, zone, now),
        "effect": None if effect is None or effect["gain"] is None else proposal.gain_words(effect),
        "status_words": proposal.STATUSES.get(found.status, found.status),
        "limits": limits_then(found),
        "snippet": _snippet(cell, id),
        "cautions": proposal.CAUTIONS,
        "people": may(cell.configuration.people, "review"),
        "not_read": "" if reader.is_at_work else reading_words(reader, zone, now),
    }


def feature_names(cell: Any, machine: str, name: str) -> dict[str, str]:
    """Names of the features of one register by the id that a proposal uses."""
    from feedback.configuration.groups import groups

    names: dict[str, str] = {}
    for group in groups(cell.configuration, machine):
        for feature in group.features:
            if register(name) in feature.moves:
                names[feature.id] = names[feature.key] = feature.name
    return names


def limits_then(found: queries.Proposal) -> dict[str, str]:
    """The limits in force when it was proposed."""
    known = {name: value for name, value in found.content["limits"].items() if name in Limits.__slots__}
    return limit_facts(Limits(**known), register(found.register))


def _snippet(cell: Any, id: str) -> str:
    """The snippet's text, or in words why there is none."""
    try:
        text: str = cell.snippet(id)
    except TrueupError as error:
        return f"no snippet: {error}"
    return text


def picture(request: Request) -> Response:
    """The trend behind the proposal, as it was followed up to now."""
    svg = desk_of(request).source.cell().picture(request.path_params["id"])
    return Response(svg, media_type="image/svg+xml", headers={"content-security-policy": PICTURE_POLICY})


def snippet(request: Request) -> Response:
    """The snippet as a file; refused where it no longer describes the machine."""
    cell = desk_of(request).source.cell()
    found = cell.proposal(request.path_params["id"])
    path = cell.snippet_path(found.id)
    if found.status not in queries.LIVE or path is None:
        raise UsageError(f"proposal {found.id} {proposal.STATUSES[found.status]}: its snippet must not be loaded")
    return Response(
        cell.snippet(found.id),
        media_type="text/plain; charset=us-ascii",
        headers={"content-disposition": f'attachment; filename="{path.name}"'},
    )


async def answer(request: Request) -> Response:
    """A person accepts or rejects; refused words come back with everything typed but the PIN."""
    desk, id = desk_of(request), request.path_params["id"]
    return await acted(request, partial(_answer, id), "proposal.html", lambda _: _seen(desk, id), f"/proposal/{id}")


def _answer(id: str, form: Form) -> None:
    act = form.field("act")
    if act not in ("accept", "reject"):
        raise UsageError("found neither accept nor reject; nothing was changed; press one of the two")
    person, words = form.person("answers"), form.field("words")
    if act == "reject":
        words = form.reason("a rejection needs")
    form.check_pin()
    cell, digest = form.desk.source.cell(), form.field("digest")
    with form.desk.source.acting:
        if act == "accept":
            cell.accept(id, by=person, note=words, digest=digest)
        else:
            cell.reject(id, by=person, why=words, digest=digest)


routes = [
    Route("/proposal/{id}", whole),
    Route("/proposal/{id}/standing", standing),
    Route("/proposal/{id}/trend.svg", picture),
    Route("/proposal/{id}/snippet", snippet),
    Route("/proposal/{id}/answer", answer, methods=["POST"]),
]
