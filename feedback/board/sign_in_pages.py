"""Signing in, for a board whose pages are not open to everybody. Acting asks for the PIN again each time."""

from collections.abc import Mapping

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from feedback.board.access import RefusedError
from feedback.board.desk import address_of, desk_of, form_of, page, session_of
from feedback.configuration.facts import Person
from feedback.errors import TrueupError, UsageError


def whole(request: Request) -> Response:
    """The form."""
    people = desk_of(request).source.cell().configuration.people
    return page(request, "sign_in.html", people=_named(people), refused="", typed={})


async def sign_in(request: Request) -> Response:
    """Remember who is there for a shift."""
    desk = desk_of(request)
    people = (await run_in_threadpool(desk.source.cell)).configuration.people
    typed: dict[str, str] = {}
    try:
        typed = await form_of(request)
        person = typed.get("person", "")
        if person not in people:
            raise UsageError("found no person; say who is there")
        await run_in_threadpool(desk.access.check, person, typed.get("pin", ""), address_of(request), desk.now_s)
        desk.access.sign_in(session_of(request), person, desk.now_s)
    except TrueupError as error:
        status = error.status if isinstance(error, RefusedError) else 409
        return page(request, "sign_in.html", status, people=_named(people), refused=str(error), typed=typed)
    return RedirectResponse("/", 303)


async def sign_out(request: Request) -> Response:
    """Forget who is there."""
    await form_of(request)
    desk_of(request).access.sign_out(session_of(request))
    return RedirectResponse("/sign-in", 303)


def _named(people: Mapping[str, Person]) -> list[tuple[str, str]]:
    return [(id, person.name) for id, person in people.items()]


routes = [
    Route("/sign-in", whole),
    Route("/sign-in", sign_in, methods=["POST"]),
    Route("/sign-out", sign_out, methods=["POST"]),
]
