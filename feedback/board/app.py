"""The board as an ASGI application: `make(folder, settings)`."""

import asyncio
import importlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Mount, Route, Router
from starlette.types import ASGIApp, Receive, Scope, Send

from feedback.board import shop_pages
from feedback.board.access import RefusedError
from feedback.board.desk import Desk, desk_of, session_of, trouble
from feedback.board.guard import Guard
from feedback.board.live import MOST_PAGES
from feedback.board.settings import Settings
from feedback.errors import TrueupError, UsageError

OPEN_TO_ALL = ("/sign-in", "/own/")
OTHERS = ("proposal", "register", "history", "limits", "probe", "sign_in")


def make(folder: Path, settings: Settings) -> Starlette:
    """The board of the cell in `folder`. UsageError or ConfigurationError when the folder is none."""
    desk = Desk.of(folder, settings)

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        watching = asyncio.create_task(desk.live.watch())
        try:
            yield
        finally:
            desk.live.close()
            await watching
            desk.source.close()

    app = Starlette(
        routes=[
            Route("/events", events),
            Route("/own/{name}", own_file),
            *shop_pages.routes,
            Mount("", OtherPages()),
        ],
        middleware=[
            Middleware(Guard, settings=settings),
            Middleware(GZipMiddleware, minimum_size=600, compresslevel=6),
            Middleware(SignedIn, desk=desk),
        ],
        exception_handlers={TrueupError: _trouble, 404: _nothing_there},
        lifespan=life,
    )
    app.state.desk = desk
    desk.after_first_page = _load_the_rest
    return app


def _load_the_rest() -> None:
    """What the other pages and the first picture need."""
    _other_routes()
    importlib.import_module("feedback.trend.tracker")


class OtherPages:
    """Every page but the shop. What they need is loaded with the first of them: the shop must not wait for it."""

    def __init__(self) -> None:
        self._router: Router | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if self._router is None:
            self._router = Router(await run_in_threadpool(_other_routes))
        await self._router(scope, receive, send)


def _other_routes() -> list[BaseRoute]:
    modules = (importlib.import_module(f"feedback.board.{name}_pages") for name in OTHERS)
    return [route for module in modules for route in module.routes]


async def events(request: Request) -> Response:
    """The stream that keeps a page up to date."""
    live = desk_of(request).live
    if live.pages >= MOST_PAGES:
        raise RefusedError(f"{MOST_PAGES} pages are open already; close some", 503)
    return StreamingResponse(live.stream(), media_type="text/event-stream", headers={"x-accel-buffering": "no"})


async def own_file(request: Request) -> Response:
    """One of the board's own files; its address changes with its content, so it may be kept."""
    file = desk_of(request).files.get(request.path_params["name"])
    if file is None:
        raise UsageError("there is no such file")
    headers = {"cache-control": "public, max-age=31536000, immutable"}
    return Response(file.content, media_type=file.type, headers=headers)


def _trouble(request: Request, error: Exception) -> Response:
    assert isinstance(error, TrueupError)
    if isinstance(error, RefusedError):
        return trouble(request, error, error.status)
    return trouble(request, error, 404 if isinstance(error, UsageError) else 503)


def _nothing_there(request: Request, _: Exception) -> Response:
    return trouble(request, UsageError("there is no such page; the machines are on the first one"), 404)


class SignedIn:
    """With a closed board, every page but the sign-in asks who is there."""

    def __init__(self, app: ASGIApp, desk: Desk) -> None:
        self._app = app
        self._desk = desk

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and self._desk.settings.closed and not scope["path"].startswith(OPEN_TO_ALL):
            session = session_of(Request(scope))
            if self._desk.access.person_of(session, self._desk.now_s) is None:
                await RedirectResponse("/sign-in", 303)(scope, receive, send)
                return
        await self._app(scope, receive, send)
