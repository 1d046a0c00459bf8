"""The board ends in order whoever is still connected to it."""

import gc
import socket
import threading
import time

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from feedback.board.serving import GOODBYE_S, server_of
from feedback.board.settings import Settings
from tests.board.serving import STARTS_WITHIN_S, free_port


def a_long_page(request: Request) -> PlainTextResponse:  # the signature of a page
    """More than the buffers of a connection take (Linux grows them to some 10 MB: common practice)."""
    return PlainTextResponse("x" * 40_000_000)


def test_who_asks_and_does_not_read_is_left_behind() -> None:
    """The board ends after its time for goodbyes, and leaves no connection open: that one would warn, an error here."""
    settings = Settings(port=free_port())
    server = server_of(Starlette(routes=[Route("/", a_long_page)]), settings)
    running = threading.Thread(target=server.run)
    running.start()
    until = time.monotonic() + STARTS_WITHIN_S
    while not server.started and time.monotonic() < until:
        time.sleep(0.01)
    with socket.create_connection((settings.address, settings.port), timeout=10) as client:
        client.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert client.recv(8) == b"HTTP/1.1"  # the page is under way, and stays there
        asked = time.monotonic()
        server.should_exit = True
        running.join()
        took_s = time.monotonic() - asked
    assert server.server_state.connections == set()
    del server
    gc.collect()
    assert took_s < GOODBYE_S + 2
