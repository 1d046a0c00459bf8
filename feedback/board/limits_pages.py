"""The limits view for the engineer: those in force, others tried on the cell's past, and their adoption by a person."""

from collections.abc import Mapping
from functools import partial
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from feedback.board.access import RefusedError, may
from feedback.board.acting import Form, acted
from feedback.board.desk import Desk, desk_of, page
from feedback.board.guard import PICTURE_POLICY
from feedback.board.limits import FILE, registers_of, tables
from feedback.board.other_limits import KNOBS, Scope, changes, knobs_of, limits_text, scopes
from feedback.errors import ConfigurationError, TrueupError, UsageError


def whole(request: Request) -> Response:
    """The limits in force, and a form to try others for one scope."""
    return page(request, "limits.html", **_seen(desk_of(request), request.query_params.get("scope", "default")))


def _seen(desk: Desk, name: str) -> dict[str, Any]:
    configuration = desk.source.cell().configuration
    found = scopes(configuration, registers_of(configuration))
    scope = _scope(found, name)
    return {
        "tables": tables(configuration),
        "digest": configuration.digest,
        "scopes": found,
        "scope": scope,
        "knobs": knobs_of(scope),
        "settings": {knob.key: scope.setting(knob) for knob in KNOBS},
        "people": may(configuration.people, "limits"),
        "trial": None,
        "moved": {},
        "refused": "",
        "typed": {},
    }


def _scope(found: list[Scope], name: str) -> Scope:
    for scope in found:
        if scope.name == name:
            return scope
    raise UsageError(f"found {name!r}; wanted one of {', '.join(scope.name for scope in found)}")


def tried(request: Request) -> Response:
    """Other limits, replayed on the cell's past beside what really came."""
    desk, query = desk_of(request), dict(request.query_params)
    seen = _seen(desk, query.get("scope", "default"))
    try:
        seen |= _tried(desk, seen["scope"], query)
    except RefusedError:
        raise
    except TrueupError as error:
        return page(request, "limits.html", 409, **{**seen, "refused": str(error)})
    return page(request, "limits.html", **seen)


def _tried(desk: Desk, scope: Scope, query: dict[str, str]) -> dict[str, Any]:
    moved = _moved(query, scope)
    text = limits_text(desk.source.cell().configuration.texts.get(FILE, ""), scope, moved)
    trial = desk.trials.of(text, desk.source.state().newest_event)
    settings = {knob.key: query.get(knob.key, scope.setting(knob)) for knob in KNOBS}
    return {"trial": trial, "moved": moved, "settings": settings}


def _moved(query: Mapping[str, str], scope: Scope) -> dict[str, str]:
    moved = changes(query, scope)
    if not moved:
        raise UsageError("found the limits in force; nothing was changed; wanted at least one of them moved")
    return moved


def picture(request: Request) -> Response:
    """The picture of a replay."""
    svg = desk_of(request).trials.picture(request.path_params["key"])
    return Response(svg, media_type="image/svg+xml", headers={"content-security-policy": PICTURE_POLICY})


async def adopt(request: Request) -> Response:
    """A person who may change limits puts them in place, with a reason; the history keeps both."""
    return await acted(request, _adopt, "limits.html", partial(_seen_again, desk_of(request)), "/limits")


def _seen_again(desk: Desk, typed: dict[str, str]) -> dict[str, Any]:
    """The page as it was, with the replay if it is still at hand."""
    try:
        seen = _seen(desk, typed.get("scope", "default"))
        return seen | _tried(desk, seen["scope"], typed)
    except TrueupError:
        return _seen(desk, "default")


def _adopt(form: Form) -> None:
    cell = form.desk.source.cell()
    configuration = cell.configuration
    person, why = form.person("adopts these limits"), form.reason("other limits need")
    scope = _scope(scopes(configuration, registers_of(configuration)), form.typed.get("scope", "default"))
    text = limits_text(configuration.texts.get(FILE, ""), scope, _moved(form.typed, scope), why)
    form.check_pin()
    try:
        with form.desk.source.acting:
            cell.adopt_limits(text, by=person, why=why, seen=form.field("configuration"))
    except ConfigurationError as error:
        raise UsageError(f"{error}\nnothing was changed") from None


routes = [
    Route("/limits", whole),
    Route("/limits/tried", tried),
    Route("/limits/tried/{key}.svg", picture),
    Route("/limits/adopt", adopt, methods=["POST"]),
]
