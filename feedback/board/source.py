"""Where the board's answers come from: the store, quickly, and the whole cell as soon as it has been opened.

Opening a cell loads the libraries of the trend, which takes longer than anybody at a machine wants to wait for the
answer. So the answer is read as `trueup status` reads it, and the cell is opened meanwhile.
"""

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from feedback import answers, heartbeat, status
from feedback.board.reader import Reader, reader_of
from feedback.errors import StoreError, TrueupError, UsageError
from feedback.ledger import queries

if TYPE_CHECKING:
    from feedback.cell import Cell

log = logging.getLogger("trueup")


@dataclass(frozen=True, slots=True)
class State:
    """What every page hangs on: how far the history reaches, who reads the logs, and what is in the way."""

    newest_event: int
    reader: Reader
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Since:
    """The newest part of a machine, and since when its answer stands."""

    newest: queries.Part | None
    part: queries.Part | None
    is_longer: bool = False
    locked_at_us: int | None = None


class Source:
    """One cell folder as the board sees it. Safe to use from several threads."""

    def __init__(self, folder: Path, now: Callable[[], datetime]) -> None:
        self.folder = folder
        self.now = now
        self.facts = status.cell_facts(folder)
        self.zone = ZoneInfo(self.facts.time_zone)
        self._reader = Reader("away")
        self._cell: Cell | None = None
        self._trouble = ""
        self._opening = threading.Lock()
        self.acting = threading.Lock()  # a store takes one write at a time

    # -- what stands now -----------------------------------------------------------------------------------------

    def state(self) -> State:
        """The present state; a store that cannot be read is a state too."""
        now_us = round(self.now().timestamp() * 1_000_000)
        self._reader = reader_of(heartbeat.last(self.folder), now_us, self._reader)
        try:
            with self._asking() as ask:
                newest = queries.newest_event(ask)
        except UsageError as error:
            return State(0, self._reader, str(error))
        except StoreError as error:
            return State(-1, self._reader, str(error))
        return State(newest, self._reader, self._trouble)

    def document(self) -> dict[str, Any]:
        """The answer document, with what concerns its times under "since" of each machine."""
        with self._asking() as ask:
            document = status.compose(self.folder, self.facts.name, self.facts.machines, ask)
            for machine in document["machines"]:
                machine["since"] = self._since_of(ask, machine)
        return document

    def empty_document(self) -> dict[str, Any]:
        """The answer document while nothing can be known."""
        machines: dict[str, list[dict[str, Any]]] = {name: [] for name in self.facts.machines}
        document = answers.cell_document(self.facts.name, self.facts.machines, machines, {})
        for machine in document["machines"]:
            machine["since"] = Since(None, None)
        return document

    def _since_of(self, ask: status.Ask, machine: dict[str, Any]) -> Since:
        name = machine["machine"]
        newest = queries.newest_part(ask, name)
        if not machine["decisions"]:
            return Since(newest, None)
        entry = machine["decisions"][0]
        said = queries.said_since(ask, name, entry["register"], _own_answer(entry))
        part = None if said is None else queries.newest_part(ask, name, said.part)
        locked_at_us = queries.locked_at(ask, name, entry["register"]) if entry.get("locked") else None
        return Since(newest, part, said is not None and said.is_longer, locked_at_us)

    def _asking(self) -> AbstractContextManager[status.Ask]:
        """SQLite is asked as `trueup status` does; a PostgreSQL store through the cell, which keeps its connections."""
        if self.facts.store == "sqlite" or self._cell is None:
            return status.asking(self.folder, self.facts.store)
        return _asking_through(self._cell)

    # -- the whole cell ------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Open the cell; what is in the way is kept and shown, and tried again at the next `refresh`."""
        with self._opening:
            if self._cell is not None:
                return
            try:
                from feedback.cell import open_cell

                self._cell = open_cell(self.folder)
                self._trouble = ""
            except TrueupError as error:
                self._complain(str(error))

    def cell(self) -> "Cell":
        """The open cell; whoever is first waits for it to be opened."""
        self.open()
        if self._cell is None:
            raise StoreError(self._trouble or "the cell could not be opened; try again in a moment")
        return self._cell

    def refresh(self) -> None:
        """Take up a changed configuration; with a faulty one the last good one stays in force."""
        if self._cell is None:
            self.open()
            return
        try:
            if self._cell.refresh():
                self.facts = status.cell_facts(self.folder)
                self.zone = ZoneInfo(self.facts.time_zone)
            self._trouble = ""
        except TrueupError as error:
            self._complain(f"{error}\nthe last good configuration stays in force")

    def _complain(self, words: str) -> None:
        if words != self._trouble:
            log.error("%s", words)
        self._trouble = words

    def close(self) -> None:
        if self._cell is not None:
            self._cell.close()


def _own_answer(entry: dict[str, Any]) -> str:
    """What the rules answered: a lock or a review shows another answer over it."""
    if entry.get("locked") or any(reason["rule"] == "review" for reason in entry["reasons"]):
        return ""
    answer: str = entry["answer"]
    return answer


@contextmanager
def _asking_through(cell: "Cell") -> Iterator[status.Ask]:
    with cell.store.reading() as sql:
        yield sql.rows
