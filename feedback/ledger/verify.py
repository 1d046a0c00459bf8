"""Is the history intact? The chain, the texts, the guards, the database itself and, on request, every read table."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from feedback.configuration.facts import Configuration
from feedback.errors import StoreError, UsageError
from feedback.ledger import chain, queries
from feedback.ledger.chain import EMPTY, Checkpoint, Event
from feedback.ledger.schema import GUARDS
from feedback.ledger.sql import Sql
from feedback.ledger.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What was found. `checkpoint` is how far the history is intact; `compared`: it was held against another one."""

    checkpoint: Checkpoint
    faults: tuple[str, ...]
    deep: bool
    compared: bool

    @property
    def is_intact(self) -> bool:
        return not self.faults

    def to_json(self) -> dict[str, Any]:
        """The finding as one document."""
        return {
            "schema": "trueup/1",
            "intact": self.is_intact,
            "events": self.checkpoint.count,
            "checkpoint": str(self.checkpoint),
            "tables_compared": self.deep,
            "checkpoint_compared": self.compared,
            "faults": list(self.faults),
        }

    def lines(self) -> list[str]:
        """The finding in words, faults first."""
        if self.faults:
            return [*self.faults, "The history is NOT intact. Keep the store as it is, and compare it with a backup."]
        tables = " and the tables say what the events say" if self.deep else ""
        cut = (
            "It continues the checkpoint given."
            if self.compared
            else "A cut-off end shows only against a checkpoint kept elsewhere: compare with the last printed report."
        )
        count = self.checkpoint.count
        return [f"The history is intact: {count} events fit{tables}. {cut}", f"checkpoint {self.checkpoint}"]


def verify(store: Store, configuration: Configuration, *, deep: bool = False, kept: Checkpoint | None = None) -> Report:
    """Check the whole history of a cell's store.

    `deep` folds every event again and compares all read tables. `kept` is a checkpoint kept elsewhere, such as on a
    printed report: only with it does a cut-off end show.
    """
    with store.reading() as sql:
        reached, faults = _walk(sql, kept)
        faults += _database_faults(sql)
        if deep and not faults:
            faults += _table_faults(sql, configuration.folder)
    return Report(checkpoint=reached, faults=tuple(faults), deep=deep, compared=kept is not None)


def checkpoint_of(text: str) -> Checkpoint:
    """The checkpoint written as "184 9f86d0...": number of events and hash. UsageError for anything else."""
    match = re.fullmatch(r"\s*(?:checkpoint\s+)?(\d+)\s+([0-9a-f]{64})\s*", text)
    if match is None:
        raise UsageError(f'found checkpoint {text!r}; wanted the number of events and its 64 digits: "184 9f86d0..."')
    return Checkpoint(int(match[1]), match[2])


def _walk(sql: Sql, kept: Checkpoint | None) -> tuple[Checkpoint, list[str]]:
    """How far the history is intact, and the first thing wrong with it."""
    reached, there = EMPTY, EMPTY  # `there`: as far as the kept checkpoint counts
    try:
        for event, broken in chain.walk(queries.events(sql)):
            words = broken.words if broken is not None else _text_fault(event)
            if words is not None:
                return reached, [words]
            reached = Checkpoint(event.seq, event.hash)
            there = reached if kept is not None and kept.count == reached.count else there
    except StoreError as fault:
        return reached, [str(fault)]
    return reached, [] if kept is None or kept == there else [_checkpoint_fault(reached, kept)]


def _checkpoint_fault(reached: Checkpoint, kept: Checkpoint) -> str:
    if kept.count > reached.count:
        return (
            f"the end of the history was cut off: found {reached.count} events, the checkpoint counts {kept.count}; "
            f"missing: {kept.count - reached.count} or more"
        )
    return (
        f"event {kept.count} is not the one of the checkpoint: the history was written anew, or the checkpoint is of "
        f"another cell; wanted the hash {kept.hash}"
    )


def _text_fault(event: Event) -> str | None:
    """A taken text must have the digest that its own event states."""
    if event.kind != "taken":
        return None
    stated, found = event.content["digest"], chain.digest(event.body or b"")
    if stated != found:
        return f"event {event.seq} ({event.kind}): its text has the digest {found}, the event states {stated}"
    return None


def _database_faults(sql: Sql) -> list[str]:
    """What the database says of itself, and whether the guards against changes still stand."""
    dialect = sql.connection.dialect.name
    checked = sql.rows("PRAGMA integrity_check") if dialect == "sqlite" else []
    standing = {name for (name,) in sql.rows(_GUARD_NAMES[dialect])}
    return [
        *(f"the database is damaged: {words}" for (words,) in checked if words != "ok"),
        *(
            f"the database's guard {guard} is gone: somebody has made room to change the history"
            for guard in sorted(GUARDS[dialect] - standing)
        ),
    ]


_GUARD_NAMES = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'trigger'",
    "postgresql": "SELECT tgname FROM pg_trigger WHERE tgrelid = 'event'::regclass",
}


def _table_faults(sql: Sql, folder: Path) -> list[str]:
    from feedback.ledger.rebuild import differences

    return [f"{words}; the events stand: the tables can be made anew from them" for words in differences(sql, folder)]
