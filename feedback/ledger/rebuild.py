"""Folds the whole history again: to compare the read tables with it, or to make them anew."""

from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path
from typing import Any

import sqlalchemy
from sqlalchemy.pool import StaticPool

from feedback.ledger import queries, schema
from feedback.ledger.fold import Fold
from feedback.ledger.reread import RecordedTexts
from feedback.ledger.rows import Numbers
from feedback.ledger.sql import Sql
from feedback.ledger.store import Writing

ROWS_AT_ONCE = 10_000


def rebuild(tx: Writing, folder: Path) -> None:
    """Make every folded table anew from the events, and forget the trends' memories, which rest on the tables."""
    tx.sql.run("DELETE FROM checkpoint")
    for table in schema.FOLDED:
        tx.sql.run(f"DELETE FROM {table.name}")
    tx.numbers = fold_again(tx.sql, tx.sql, folder)


def differences(sql: Sql, folder: Path) -> list[str]:
    """Where the read tables differ from what the events say: the first row of each table, in words."""
    engine = sqlalchemy.create_engine("sqlite://", poolclass=StaticPool)
    with engine.begin() as connection:
        schema.create(connection)
        again = Sql(connection)
        fold_again(sql, again, folder)
        found = [_difference(table, sql, again) for table in schema.FOLDED]
    engine.dispose()
    return [words for words in found if words is not None]


def fold_again(events: Sql, tables: Sql, folder: Path) -> Numbers:
    """Apply every event of `events` to the empty `tables`; the next free ids come out."""
    fold = Fold(tables, Numbers(), RecordedTexts(folder))
    for event in queries.events(events):
        fold.apply(event)
    return fold.numbers


def _difference(table: sqlalchemy.Table, kept: Sql, again: Sql) -> str | None:
    for here, there in zip_longest(_rows(table, kept), _rows(table, again)):
        if here != there:
            return f"table {table.name}: found {_words(table, here)}; the events say {_words(table, there)}"
    return None


def _rows(table: sqlalchemy.Table, sql: Sql) -> Iterator[tuple[Any, ...]]:
    """Every row in key order; text is sorted here, since databases do not agree on its order."""
    columns = ", ".join(column.name for column in table.columns)
    key = table.primary_key.columns.values()
    if isinstance(key[0].type, sqlalchemy.Text):
        yield from sorted(sql.rows(f"SELECT {columns} FROM {table.name}"), key=lambda row: row[: len(key)])
        return
    result = sql.run(f"SELECT {columns} FROM {table.name} ORDER BY {key[0].name}")
    while rows := result.fetchmany(ROWS_AT_ONCE):
        yield from map(tuple, rows)


def _words(table: sqlalchemy.Table, row: tuple[Any, ...] | None) -> str:
    if row is None:
        return "no further row"
    return ", ".join(f"{column.name} {value!r}" for column, value in zip(table.columns, row, strict=True))
