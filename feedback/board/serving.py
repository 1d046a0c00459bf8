"""Serves the board, and keeps a reader of the logs beside it when asked to."""

import asyncio
import logging
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

from starlette.applications import Starlette
from uvicorn.config import Config
from uvicorn.server import Server

from feedback.board.app import make
from feedback.board.settings import Settings
from feedback.errors import TrueupError

log = logging.getLogger("trueup")

GOODBYE_S = 2  # open streams end at once; a page under way gets this long


class _Server(Server):
    """Ends the open streams before it waits for them, and comes back from `run` so that all else ends in order too."""

    def __init__(self, config: Config, app: Starlette) -> None:
        super().__init__(config)
        self._board = app

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:  # noqa: ARG002  # the server's own signature
        self._board.state.desk.live.is_closing = True
        self.force_exit = self.should_exit
        self.should_exit = True

    async def shutdown(self, sockets: list[Any] | None = None) -> None:
        """As the server does, and then cut who is still connected: it would leave those open, unread pages and all."""
        await super().shutdown(sockets)
        for connection in self.server_state.connections:
            connection.transport.abort()
        while self.server_state.connections:
            await asyncio.sleep(0)


def serve(
    folder: Path, settings: Settings, *, with_reader: bool = False, announce: Callable[[], None] = lambda: None
) -> None:
    """Serve until SIGINT or SIGTERM; `announce` is called before. TrueupError when the port is taken."""
    app = make(folder, settings)
    announce()
    server = server_of(app, settings)
    with _reader(folder, wanted=with_reader):
        try:
            server.run()
        except SystemExit:
            raise TrueupError(
                f"port {settings.port}: cannot be listened to; another program has it; wanted a free one: --port"
            ) from None


def server_of(app: Starlette, settings: Settings) -> Server:
    """The server of `app`, not started yet."""
    config = Config(
        app,
        host=settings.address,
        port=settings.port,
        loop="asyncio",
        http="h11",
        ws="none",
        lifespan="on",
        interface="asgi3",
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        timeout_graceful_shutdown=GOODBYE_S,
    )
    return _Server(config, app)


@contextmanager
def _reader(folder: Path, *, wanted: bool) -> Iterator[None]:
    """`trueup watch` as a process of its own: following the trend must not make the pages wait."""
    if not wanted:
        yield
        return
    running = subprocess.Popen(
        [sys.executable, "-m", "feedback", "--cell", str(folder), "watch"], stdout=subprocess.DEVNULL
    )
    waiting = threading.Thread(target=_wait_for, args=(running,))
    waiting.start()  # a child nobody waits for would still look alive after its end
    try:
        yield
    finally:
        running.terminate()
        waiting.join()


def _wait_for(running: "subprocess.Popen[bytes]") -> None:
    code = running.wait()
    if code not in (0, -signal.SIGTERM):
        log.error("the reader of the logs ended with code %s; start it again: trueup watch", code)
