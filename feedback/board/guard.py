"""Stands before every page: who may call the board by which name, where a form may come from, what a page may load."""

from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from feedback.board.settings import Settings

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'"
)
# A picture brings its own styles and nothing else.
PICTURE_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
HEADERS: Final = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


class Guard:
    """Refuses strangers' names and strangers' forms; puts the policy on every answer."""

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self._app = app
        self._settings = settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault("content-security-policy", POLICY)
                headers.setdefault("cache-control", "no-store")
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, guarded)
            return
        await self._app(scope, receive, guarded)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "").lower()
        if host not in self._settings.hosts:
            return PlainTextResponse(
                "This board is not called by that name. Start it with that name: trueup board --lan NAME\n",
                421,
            )
        if scope["method"] not in ("GET", "HEAD") and not self._is_own_form(headers, host):
            return PlainTextResponse("This form did not come from a page of this board. Nothing was changed.", 403)
        return None

    def _is_own_form(self, headers: Headers, host: str) -> bool:
        """The page that sent it has exactly the name under which it was sent."""
        origin = headers.get("origin", "").lower()
        return origin in self._settings.origins and origin == f"http://{host}"
