"""Keeps every open page up to date: one watch for all of them, and a pulse that shows a lost connection."""

import asyncio
import json
import logging
from collections.abc import AsyncIterator, Callable
from typing import Final

from feedback.board.source import Source, State
from feedback.board.times import clock

log = logging.getLogger("trueup")

LOOK_S: Final = 0.25
PULSE_S: Final = 2.0  # a page that has felt none for three of them says that the connection is lost
REFRESH_S: Final = 5.0
MOST_PAGES: Final = 300


class Live:
    """The present state and its number, which goes up whenever it changes."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.state: State = source.state()
        self.number = 1
        self.is_closing = False
        self.pages = 0
        self._changed = asyncio.Event()

    async def watch(self) -> None:
        """Look for changes until the board ends."""
        loop = asyncio.get_running_loop()
        refresh_due = loop.time() + REFRESH_S  # the first page comes first
        while not self.is_closing:
            if loop.time() >= refresh_due:
                await asyncio.to_thread(self._guarded, self._source.refresh)
                refresh_due = loop.time() + REFRESH_S
            await self._look_or_say()
            await asyncio.sleep(LOOK_S)
        self._wake()

    async def _look_or_say(self) -> None:
        """A look that fails makes every page ask for itself, and say that nothing is known while it gets no answer."""
        try:
            await self.look()
        except Exception:
            log.exception("the board could not look at the cell; it is tried again")
            self.number += 1
            self._wake()

    async def look(self) -> None:
        """Take up the present state, and tell every page when it is another than before."""
        state = await asyncio.to_thread(self._source.state)
        if _told_apart(state) != _told_apart(self.state):
            self.number += 1
            self._wake()
        self.state = state

    def _guarded(self, work: Callable[[], None]) -> None:
        """The watch goes on whatever happens: a page that looks alive while nobody watches would be a lie."""
        try:
            work()
        except Exception:
            log.exception("the board could not look at the configuration; it is tried again")

    def close(self) -> None:
        """End every stream: the server waits for them."""
        self.is_closing = True
        self._wake()

    def _wake(self) -> None:
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()

    async def stream(self) -> AsyncIterator[str]:
        """Server-sent events (WHATWG HTML, 9.2): `moved` with the state's number, `pulse` with the board's clock."""
        self.pages += 1
        try:
            yield "retry: 1000\n\n"
            told = 0
            while not self.is_closing:
                if told != self.number:
                    told = self.number
                    yield f"event: moved\ndata: {told}\n\n"
                yield f"event: pulse\ndata: {json.dumps(clock(self._source.now(), self._source.zone))}\n\n"
                await self._next_change(told)
        finally:
            self.pages -= 1

    async def _next_change(self, told: int) -> None:
        changed = self._changed
        if told != self.number or self.is_closing:
            return
        try:
            await asyncio.wait_for(changed.wait(), PULSE_S)
        except TimeoutError:
            return


def _told_apart(state: State) -> tuple[object, ...]:
    """What makes a state another one: not every look of the reader does."""
    reader = state.reader
    since_us = None if reader.is_at_work else reader.since_us
    return state.newest_event, reader.state, since_us, reader.troubles, reader.unread_machines, state.trouble
