"""A connection that takes plain SQL with `?` for values and speaks to SQLite and PostgreSQL alike.

Statements go to the driver as tuples: building them row by row through an expression language costs half the speed.
"""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sqlalchemy import Connection, CursorResult

Values = Sequence[Any]


class Sql:
    """One connection inside one transaction."""

    def __init__(self, connection: "Connection") -> None:
        self.connection = connection
        self._percent = connection.dialect.paramstyle != "qmark"

    def driver(self, statement: str) -> str:
        """`statement` with the placeholders of this driver."""
        return statement.replace("?", "%s") if self._percent else statement

    def run(self, statement: str, values: Values = ()) -> "CursorResult[Any]":
        return self.connection.exec_driver_sql(self.driver(statement), tuple(values))

    def run_many(self, statement: str, rows: Sequence[tuple[Any, ...]]) -> None:
        """Nothing happens without rows."""
        if rows:
            self.connection.exec_driver_sql(self.driver(statement), list(rows))

    def rows(self, statement: str, values: Values = ()) -> list[tuple[Any, ...]]:
        return [tuple(row) for row in self.run(statement, values)]

    def row(self, statement: str, values: Values = ()) -> tuple[Any, ...] | None:
        found = self.run(statement, values).first()
        return None if found is None else tuple(found)

    def value(self, statement: str, values: Values = ()) -> Any:
        """The first column of the first row, None without a row."""
        found = self.run(statement, values).first()
        return None if found is None else found[0]


def insert(table: str, columns: str) -> str:
    """INSERT of one row; `columns` separated by blanks."""
    names = columns.split()
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks(names)})"


def upsert(table: str, key: str, columns: str) -> str:
    """INSERT of one row that replaces `columns` of the row with the same `key` columns."""
    replaced = ", ".join(f"{name} = excluded.{name}" for name in columns.split())
    return f"{insert(table, f'{key} {columns}')} ON CONFLICT ({', '.join(key.split())}) DO UPDATE SET {replaced}"


def marks(values: Iterable[object]) -> str:
    """One placeholder for each of `values`."""
    return ", ".join("?" for _ in values)
