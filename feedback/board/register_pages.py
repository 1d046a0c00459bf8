"""The view of one register: what it and its features did, what was changed and what that brought."""

from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from feedback.board import columns, proposal
from feedback.board.access import RefusedError, may
from feedback.board.desk import Desk, address_of, desk_of, form_of, page
from feedback.board.history import Filter, rows
from feedback.errors import TrueupError, UsageError
from feedback.ledger import queries

PARTS = 400
TABLE_PARTS = 60
STORY = (
    "proposed",
    "rejected",
    "entered",
    "confirmed",
    "unconfirmed",
    "wrong-way",
    "hand-change",
    "locked",
    "released",
)


def whole(request: Request) -> Response:
    """The page of one register."""
    return page(request, "register.html", **_seen(desk_of(request), *_asked(request)), refused="", typed={})


def points(request: Request) -> Response:
    """What the chart draws."""
    return JSONResponse(_columns(desk_of(request), *_asked(request)))


def _asked(request: Request) -> tuple[str, str]:
    query = request.query_params
    if "machine" not in query or "name" not in query:
        raise UsageError("found no machine or no name in the address; wanted /register?machine=M1&name=tool 5 radius")
    return query["machine"], query["name"]


def _columns(desk: Desk, machine: str, name: str) -> dict[str, Any]:
    cell = desk.source.cell()
    if machine not in cell.configuration.machines:
        raise UsageError(f"there is no machine {machine!r} in this cell; wanted one of {_listed(cell)}")
    return columns.columns(*cell.trend(machine, name, PARTS), desk.source.zone)


def _listed(cell: Any) -> str:
    return ", ".join(cell.configuration.machines)


def _seen(desk: Desk, machine: str, name: str) -> dict[str, Any]:
    cell = desk.source.cell()
    shown = _columns(desk, machine, name)
    with cell.store.reading() as sql:
        decisions = queries.decisions(sql, machine)
        lock = queries.holds(sql, machine).get(name, queries.Hold())
        events = [event for event in queries.story(sql, machine, STORY) if event.content.get("register") == name]
        proposals = [found for found in queries.proposals(sql, machine, proposal.STATUSES) if found.register == name]
        effects = {found.id: queries.effect(sql, found.id) for found in proposals[-20:]}
    return {
        "machine": machine,
        "name": name,
        "entry": next((entry for entry in decisions if entry["register"] == name), None),
        "lock": lock.locked,
        "shown": shown,
        "table": columns.table(shown)[:TABLE_PARTS],
        "happened": rows(events, Filter(), desk.source.zone)[:40],
        "corrections": [_correction(found, effects[found.id]) for found in reversed(proposals[-20:])],
        "people": may(cell.configuration.people, "release"),
    }


def _correction(found: queries.Proposal, effect: dict[str, Any] | None) -> dict[str, str]:
    """One proposal of this register: what was promised to the features and what came of it."""
    content = found.content
    promised = "; ".join(
        f"feature {line.id}: {line.before} → {line.after}" for line in proposal.feature_lines(content, {})
    )
    seen = "" if effect is None or effect["gain"] is None else proposal.gain_words(effect)
    return {
        "id": found.id,
        "change": f"{content['now']} → {content['new']} {content['unit']}",
        "part": content["part"],
        "status": found.status,
        "promised": promised,
        "seen": seen or ("" if effect is None else str(effect["why"])),
    }


async def release(request: Request) -> Response:
    """A person releases a register from its lock."""
    desk, typed = desk_of(request), dict[str, str]()
    machine, name = _asked(request)
    try:
        typed = await form_of(request)
        await run_in_threadpool(_release, desk, machine, name, typed, address_of(request))
    except TrueupError as error:
        status = error.status if isinstance(error, RefusedError) else 409
        seen = await run_in_threadpool(_seen, desk, machine, name)
        return page(request, "register.html", status, **seen, refused=str(error), typed=typed)
    await desk.live.look()
    return RedirectResponse(f"/register?{urlencode({'machine': machine, 'name': name})}", 303)


def _release(desk: Desk, machine: str, name: str, typed: dict[str, str], address: str) -> None:
    cell = desk.source.cell()
    person, why = typed.get("person", ""), typed.get("words", "").strip()
    if person not in cell.configuration.people:
        raise UsageError("found no person; nothing was changed; say who releases")
    if not why:
        raise UsageError("a release needs a reason; nothing was changed; say it in a few words")
    desk.access.check(person, typed.get("pin", ""), address, desk.now_s)
    with desk.source.acting:
        cell.release(f"{machine} {name}", by=person, why=why)


routes = [
    Route("/register", whole),
    Route("/register/points", points),
    Route("/register/release", release, methods=["POST"]),
]
