"""The store: one writer at a time, every event and what follows from it in one transaction.

SQLite versions in wide use can lose a commit when two connections write or checkpoint at the same instant. So every
write, of the daemon and of a command alike, first takes the lock file, and readers open the store read-only. A crash at
any moment leaves the last whole transaction.
"""

import os
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import filelock
import sqlalchemy
from sqlalchemy import event as on
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from feedback.errors import StoreError, UsageError
from feedback.ledger import chain, queries, schema
from feedback.ledger.chain import Checkpoint, Event
from feedback.ledger.fold import Fold, next_numbers
from feedback.ledger.rows import Numbers, doubts_of
from feedback.ledger.sql import Sql, insert
from feedback.records import Record

STORE_NAME: Final = "trueup.sqlite"
LOCK_NAME: Final = "write.lock"
PASSWORD: Final = "TRUEUP_STORE_PASSWORD"
LOCK_WAIT_S: Final = 30.0
BUSY_WAIT_MS: Final = 30_000
CACHE_KIB: Final = 64 * 1024
FAST_COMPRESSION: Final = 1  # log text shrinks to a fifth; a higher level costs more time than it saves space
ADVISORY_LOCK: Final = 0x7472756575  # "trueu": one writer at a time also from several computers

_INSERT_EVENT = insert("event", "seq at_us kind machine payload body prev hash")
_INSERT_CHECKPOINT = insert("checkpoint", "id machine group_key shape_digest part_id at_us snapshot")


class Store:
    """One cell's history. Open it with `Store.open`; close it, or use it in a `with`."""

    def __init__(
        self, where: str, writer: sqlalchemy.Engine | None, reader: sqlalchemy.Engine, lock: filelock.BaseFileLock
    ) -> None:
        self._where = where
        self._writer = writer
        self._reader = reader
        self._lock = lock
        self._numbers: Numbers | None = None
        self._known = chain.EMPTY  # the end of the history when this store last looked in a transaction of its own
        self._looked = False

    @staticmethod
    def open(folder: Path, address: str = "sqlite", readonly: bool = False) -> "Store":
        """The store of the cell in `folder`, made when it is not there yet (unless `readonly`).

        `address` is "sqlite" (state/trueup.sqlite under `folder`) or a PostgreSQL address; its password comes from the
        environment. StoreError when it cannot be opened, is damaged, or was written by another version.
        """
        state = folder / "state"
        if readonly and address == "sqlite" and not (state / STORE_NAME).is_file():
            raise StoreError(f"{state / STORE_NAME}: there is no store yet; `trueup process` makes it")
        try:
            return _opened(state, address, readonly)
        except (SQLAlchemyError, OSError) as fault:
            raise StoreError(f"{_where(state, address)}: the store cannot be opened: {_words(fault)}") from fault

    @contextmanager
    def writing(self, at: datetime) -> Iterator["Writing"]:
        """One transaction at the time `at`: everything in it is kept, or nothing.

        StoreError when another trueup keeps the lock, or the store refuses the write.
        """
        if self._writer is None:
            raise StoreError("the store was opened for reading only; nothing was written")
        at_us = chain.microseconds(at)
        refused = f"{self._where}: the store refused: {{}}; nothing was written"
        with self._alone(), _worded(refused), self._writer.begin() as connection:
            writing = self._begun(Sql(connection), at, at_us)
            yield writing
        self._numbers, self._known, self._looked = writing.numbers, writing.head, True

    @contextmanager
    def reading(self) -> Iterator[Sql]:
        """A steady view of the store: what others write meanwhile is not seen."""
        with _worded(f"{self._where}: the store cannot be read: {{}}"), self._reader.connect() as connection:
            yield Sql(connection)

    @property
    def head(self) -> Checkpoint:
        """How far the history reaches now."""
        with self.reading() as sql:
            return queries.head(sql)

    def close(self) -> None:
        """Let go of the store. Closing folds the write-ahead file in, which is a write: it waits for the lock."""
        self._reader.dispose()
        if self._writer is not None:
            with suppress(StoreError), self._alone():
                self._writer.dispose()

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _begun(self, sql: Sql, at: datetime, at_us: int) -> "Writing":
        head = queries.head(sql)
        missed = head.count - self._known.count if self._looked else 0
        numbers = self._numbers if self._numbers is not None and head == self._known else next_numbers(sql)
        self._numbers = None  # ids handed out in a transaction that is not kept are free again
        return Writing(sql, at, at_us, head, missed, numbers)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        if self._lock.is_locked:
            raise StoreError("a write was begun inside another write of the same store; nothing was written")
        try:
            self._lock.acquire(timeout=LOCK_WAIT_S)
        except filelock.Timeout:
            raise StoreError(
                f"{self._lock.lock_file}: another trueup has been writing for {LOCK_WAIT_S:.0f} s; "
                "nothing was written; wait for it, or stop it, and try again"
            ) from None
        try:
            yield
        finally:
            self._lock.release()


class Writing:
    """One open transaction. `missed` is how many events others appended since this store last wrote."""

    def __init__(self, sql: Sql, at: datetime, at_us: int, head: Checkpoint, missed: int, numbers: Numbers) -> None:
        self.sql = sql
        self.at = at
        self.at_us = at_us
        self.head = head
        self.missed = missed
        self.numbers = numbers
        self._fold = Fold(sql, numbers)

    def append(
        self,
        kind: str,
        machine: str | None,
        content: Mapping[str, Any],
        body: bytes | None = None,
        records: Sequence[Record] | None = None,
    ) -> int:
        """Write one event and apply it to the read tables; its number comes out.

        `records` are what `body` says, resolved and with their doubts: wanted for `taken` and `closed`.
        """
        if records is not None:
            content = {**content, "doubts": doubts_of(records)}
        event = chain.link(self.head, self.at_us, kind, machine, content, body)
        self._insert(event)
        self._fold.apply(event, records)
        self.head = Checkpoint(event.seq, event.hash)
        return event.seq

    def keep_snapshot(
        self, machine: str, group_key: str, shape_digest: str, part_id: int | None, at_us: int, snapshot: str
    ) -> None:
        """Keep the trend's memory of one group in place of the last one: a cache that no event describes."""
        self.forget_snapshot(machine, group_key)
        number = self.sql.value("SELECT coalesce(max(id), 0) + 1 FROM checkpoint")
        self.sql.run(_INSERT_CHECKPOINT, (number, machine, group_key, shape_digest, part_id, at_us, snapshot))

    def forget_snapshot(self, machine: str, group_key: str) -> None:
        """The trend's memory of one group no longer fits what is known."""
        self.sql.run("DELETE FROM checkpoint WHERE machine = ? AND group_key = ?", (machine, group_key))

    def _insert(self, event: Event) -> None:
        body = None if event.body is None else zlib.compress(event.body, FAST_COMPRESSION)
        values = (event.seq, event.at_us, event.kind, event.machine, event.payload, body, event.prev, event.hash)
        self.sql.run(_INSERT_EVENT, values)


def _opened(state: Path, address: str, readonly: bool) -> Store:
    lock = filelock.FileLock(state / LOCK_NAME)
    if address == "sqlite":
        path = state / STORE_NAME
        reader = _sqlite(path, readonly=True)
        writer = None if readonly else _sqlite(path, readonly=False)
    else:
        reader = _postgres(address, readonly=True)
        writer = None if readonly else _postgres(address, readonly=False)
    store = Store(_where(state, address), writer, reader, lock)
    try:
        _prepare(store, writer, state)
        with store.reading() as sql:
            _check_version(sql)
    except BaseException:
        store.close()
        raise
    return store


def _prepare(store: Store, writer: sqlalchemy.Engine | None, state: Path) -> None:
    """Make the tables, unless they are there: a look is cheaper than the lock."""
    if writer is None:
        return
    state.mkdir(parents=True, exist_ok=True)
    with store._alone(), writer.begin() as connection:
        if not sqlalchemy.inspect(connection).has_table("store_fact"):
            schema.create(connection)
            Sql(connection).run(insert("store_fact", "name value"), ("version", schema.VERSION))


def _check_version(sql: Sql) -> None:
    version = sql.value("SELECT value FROM store_fact WHERE name = 'version'")
    if version != schema.VERSION:
        raise StoreError(
            f"the store has version {version!r} of the tables, this trueup knows {schema.VERSION!r}; "
            "use the trueup that wrote it, or keep the old folder and start a new cell folder"
        )


def _sqlite(path: Path, readonly: bool) -> sqlalchemy.Engine:
    name = f"file:{path.as_posix().replace('%', '%25').replace('?', '%3f').replace('#', '%23')}"
    mode = "ro" if readonly else "rwc"
    url = sqlalchemy.URL.create("sqlite", database=name, query={"mode": mode, "uri": "true"})
    engine = sqlalchemy.create_engine(url, connect_args={"check_same_thread": False, "timeout": BUSY_WAIT_MS / 1000})
    on.listen(engine, "connect", _settle_reader if readonly else _settle_writer)
    begin = "BEGIN" if readonly else "BEGIN IMMEDIATE"  # a deferred writer fails at once when another wrote meanwhile
    on.listen(engine, "begin", lambda connection: connection.exec_driver_sql(begin))
    return engine


def _settle_reader(connection: Any, _: object) -> None:
    connection.isolation_level = None  # the driver's own transactions would begin too late
    connection.execute(f"PRAGMA busy_timeout = {BUSY_WAIT_MS}")
    connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")


def _settle_writer(connection: Any, record: object) -> None:
    _settle_reader(connection, record)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA recursive_triggers = ON")


def _postgres(address: str, readonly: bool) -> sqlalchemy.Engine:
    try:
        url = sqlalchemy.make_url(address)
    except SQLAlchemyError:
        url = sqlalchemy.URL.create("none")
    if url.get_backend_name() != "postgresql" or url.password is not None:
        raise UsageError(
            'store: found an address that cannot be used; wanted "sqlite" or "postgresql://user@host/database" '
            f"without a password (it is read from the environment variable {PASSWORD})"
        )
    url = url.set(drivername="postgresql+psycopg", password=os.environ.get(PASSWORD))
    view = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}  # what SQLite gives every reader
    try:
        engine = sqlalchemy.create_engine(url, execution_options=view if readonly else {}, pool_pre_ping=True)
    except ImportError:
        raise StoreError('PostgreSQL needs its driver; install it with: pip install "trueup[postgres]"') from None
    if not readonly:
        alone = f"SELECT pg_advisory_xact_lock({ADVISORY_LOCK})"
        on.listen(engine, "begin", lambda connection: connection.exec_driver_sql(alone))
    return engine


@contextmanager
def _worded(message: str) -> Iterator[None]:
    """A fault of the database as a StoreError; its words take the place of {} in `message`."""
    try:
        yield
    except DBAPIError as fault:
        raise StoreError(message.format(_words(fault))) from fault


def _words(fault: BaseException) -> str:
    """The driver's own words on one line: never the statement or its values."""
    cause = fault.orig if isinstance(fault, DBAPIError) and fault.orig is not None else fault
    return " ".join(str(cause).split())


def _where(state: Path, address: str) -> str:
    return str(state / STORE_NAME) if address == "sqlite" else address
