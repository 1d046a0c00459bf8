"""The view of one register: what it and its features did, what was changed and what that brought."""

from functools import partial
from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from feedback.answers import page_unit
from feedback.board import columns, proposal
from feedback.board.access import may
from feedback.board.acting import Form, acted
from feedback.board.desk import Desk, desk_of, page
from feedback.board.history import Filter, rows
from feedback.errors import UsageError
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
        f"feature {line.id}: {line.before} → {line.after} {line.unit}" for line in proposal.feature_lines(content, {})
    )
    seen = "" if effect is None or effect["gain"] is None else proposal.gain_words(effect)
    return {
        "id": found.id,
        "change": f"{content['page']['now']} → {content['page']['new']} {page_unit(content['page'])}",
        "part": content["part"],
        "status": found.status,
        "promised": promised,
        "seen": seen or ("" if effect is None else str(effect["why"])),
    }


async def release(request: Request) -> Response:
    """A person releases a register from its lock."""
    desk = desk_of(request)
    machine, name = _asked(request)
    then = f"/register?{urlencode({'machine': machine, 'name': name})}"
    return await acted(
        request, partial(_release, f"{machine} {name}"), "register.html", lambda _: _seen(desk, machine, name), then
    )


def _release(register: str, form: Form) -> None:
    person, why = form.person("releases"), form.reason("a release needs")
    form.check_pin()
    with form.desk.source.acting:
        form.desk.source.cell().release(register, by=person, why=why)


routes = [
    Route("/register", whole),
    Route("/register/points", points),
    Route("/register/release", release, methods=["POST"]),
]
