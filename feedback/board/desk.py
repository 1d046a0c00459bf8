"""What every page needs at hand: the source of the answers, the live state, who may act, and the templates."""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qsl

import jinja2
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from feedback.board import shop
from feedback.board.access import Access, RefusedError, new_session
from feedback.board.live import Live
from feedback.board.rendering import OwnFile, own_files, templates, version_of
from feedback.board.settings import Settings
from feedback.board.source import Source
from feedback.board.times import clock
from feedback.board.trials import Trials
from feedback.errors import TrueupError

SESSION: Final = "trueup_session"
MOST_FORM_BYTES: Final = 16_384
PLACES: Final = (("/", "Machines"), ("/history", "History"), ("/limits", "Limits"), ("/probe", "Probe"))


@dataclass
class Desk:
    """One board at work."""

    source: Source
    settings: Settings
    access: Access
    live: Live
    files: Mapping[str, OwnFile] = field(default_factory=own_files)
    pages: jinja2.Environment = field(init=False)
    after_first_page: Callable[[], None] = lambda: None
    _shop: tuple[int, int, shop.Shop] | None = None
    trials: Trials = field(init=False)
    _is_opening: bool = False
    _making: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self.pages = templates(version_of(self.files))
        self.trials = Trials(self.source.folder)

    @staticmethod
    def of(folder: Path, settings: Settings) -> "Desk":
        source = Source(folder, settings.now)
        return Desk(source, settings, Access(folder), Live(source))

    def open_the_rest(self) -> None:
        """Open the whole cell once the first answer is on its way, so that nobody waits for it."""
        if not self._is_opening:
            self._is_opening = True
            threading.Thread(target=self._open_the_rest, daemon=True).start()

    def _open_the_rest(self) -> None:
        self.source.open()
        self.after_first_page()

    @property
    def now_s(self) -> float:
        return self.settings.now().timestamp()

    def shop(self) -> shop.Shop:
        """The shop as it stands; made once for all pages that show it at the same time."""
        state = self.source.state()
        with self._making:
            number, minute = hash(state), int(self.now_s // 60)  # a new day changes how times are told
            if self._shop is None or self._shop[:2] != (number, minute):
                document = self._document(state.newest_event)
                now = self.settings.now()
                made = shop.shop(document, state.reader, state.trouble, self.source.zone, now)
                self._shop = (number, minute, made)
            return self._shop[2]

    def _document(self, newest_event: int) -> dict[str, Any]:
        """Without a store, or one that cannot be read, nothing is known of any machine."""
        if newest_event > 0:
            return self.source.document()
        return self.source.empty_document()


def desk_of(request: Request) -> Desk:
    found: Desk = request.app.state.desk
    return found


def session_of(request: Request) -> str:
    """The browser's session; a new one for a browser that has none."""
    kept = request.cookies.get(SESSION, "")
    if len(kept) == 43:  # of `token_urlsafe(32)`
        return kept
    if not hasattr(request.state, "session"):
        request.state.session = new_session()
    fresh: str = request.state.session
    return fresh


def page(request: Request, template: str, status: int = 200, **shown: Any) -> Response:
    """A whole page or a piece of one; a browser without a session gets one."""
    desk = desk_of(request)
    session = session_of(request)
    text = desk.pages.get_template(template).render(
        cell=desk.source.facts.name,
        clock=clock(desk.settings.now(), desk.source.zone),
        token=desk.access.token(session),
        person=desk.access.person_of(session, desk.now_s),
        is_closed=desk.settings.closed,
        path=request.url.path,
        places=PLACES,
        **shown,
    )
    response = HTMLResponse(text, status)
    if request.cookies.get(SESSION) != session:
        response.set_cookie(SESSION, session, httponly=True, samesite="strict", path="/")
    return response


def trouble(request: Request, error: TrueupError, status: int) -> Response:
    """A page that says what is in the way."""
    return page(request, "trouble.html", status, words=str(error))


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a form that this board gave to this session. RefusedError for any other."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_FORM_BYTES:
            raise RefusedError("the form is too long; nothing was changed; say it in fewer words", 413)
    try:
        fields = dict(parse_qsl(body.decode(), keep_blank_values=True, strict_parsing=bool(body), max_num_fields=50))
    except ValueError:
        raise RefusedError("the form cannot be read; nothing was changed; open the page anew", 400) from None
    desk_of(request).access.check_token(session_of(request), fields.get("token", ""))
    return fields


def address_of(request: Request) -> str:
    return request.client.host if request.client is not None else "unknown"
