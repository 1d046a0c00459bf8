"""Signing in, for a board whose pages are not open to everybody. Acting asks for the PIN again each time."""

from functools import partial
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from feedback.board.acting import Form, acted
from feedback.board.desk import Desk, desk_of, form_of, page, session_of


def whole(request: Request) -> Response:
    """The form."""
    return page(request, "sign_in.html", **_seen(desk_of(request)), refused="", typed={})


def _seen(desk: Desk) -> dict[str, Any]:
    people = desk.source.cell().configuration.people
    return {"people": [(id, person.name) for id, person in people.items()]}


async def sign_in(request: Request) -> Response:
    """Remember who is there for a shift."""
    desk = desk_of(request)
    return await acted(request, partial(_sign_in, session_of(request)), "sign_in.html", lambda _: _seen(desk), "/")


def _sign_in(session: str, form: Form) -> None:
    person = form.person("is there")
    form.check_pin()
    form.desk.access.sign_in(session, person, form.desk.now_s)


async def sign_out(request: Request) -> Response:
    """Forget who is there."""
    await form_of(request)
    desk_of(request).access.sign_out(session_of(request))
    return RedirectResponse("/sign-in", 303)


routes = [
    Route("/sign-in", whole),
    Route("/sign-in", sign_in, methods=["POST"]),
    Route("/sign-out", sign_out, methods=["POST"]),
]
