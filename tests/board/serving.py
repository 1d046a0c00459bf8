"""A board that is served for a test, and plain questions to it."""

import http.client
import socket
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import urlencode

from feedback import heartbeat
from feedback.board.app import make
from feedback.board.serving import server_of
from feedback.board.settings import Settings

STARTS_WITHIN_S = 20.0


def free_port() -> int:
    """A port that nobody listens at just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def somebody_reads(folder: Path, **facts: Any) -> None:
    """A reader has just looked at the logs of the cell, and will not look again for the rest of the test."""
    heartbeat.beat(folder, every_s=3600.0, troubles=facts.get("troubles", []), away=facts.get("away", []))


class Served:
    """One board at work in this process; it can be ended and started again at the same port."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        self.folder = folder
        self.settings = Settings(port=free_port(), **settings)
        self.address = f"http://127.0.0.1:{self.settings.port}"
        self.start()

    def start(self) -> None:
        self.app = make(self.folder, self.settings)
        self._server = server_of(self.app, self.settings)
        self._running = threading.Thread(target=self._server.run)
        self._running.start()
        until = time.monotonic() + STARTS_WITHIN_S
        while not self._server.started:
            assert time.monotonic() < until, "the board did not start"
            time.sleep(0.01)

    def end(self) -> None:
        self._server.handle_exit(15, None)
        self._running.join(timeout=20)
        assert not self._running.is_alive(), "the board did not end"

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end()

    def ask(
        self,
        path: str,
        fields: Mapping[str, str] | None = None,
        headers: Mapping[str, str] | None = None,
        cookie: str = "",
    ) -> "Answer":
        """One request, by name and origin as a browser on this computer sends it unless `headers` say otherwise."""
        host = f"127.0.0.1:{self.settings.port}"
        sent = {"Host": host, **({"Cookie": cookie} if cookie else {})}
        body = None
        if fields is not None:
            sent |= {"Origin": f"http://{host}", "Content-Type": "application/x-www-form-urlencoded"}
            body = urlencode(fields)
        sent |= headers or {}
        connection = http.client.HTTPConnection("127.0.0.1", self.settings.port, timeout=30)
        try:
            connection.request("GET" if fields is None else "POST", path, body, {k: v for k, v in sent.items() if v})
            got = connection.getresponse()
            return Answer(got.status, {name.lower(): value for name, value in got.getheaders()}, got.read())
        finally:
            connection.close()


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()

    @property
    def cookie(self) -> str:
        return self.headers["set-cookie"].split(";")[0]

    def field(self, name: str) -> str:
        """The value of a hidden field of the page."""
        return self.text.split(f'name="{name}" value="', 1)[1].split('"', 1)[0]
