"""Takes one piece of log text into the ledger: read, resolved, doubted, kept with its place and digest."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, cast

from feedback.configuration.facts import Configuration
from feedback.intake import NewText
from feedback.ledger import queries, recent
from feedback.ledger.chain import digest, microseconds, moment
from feedback.ledger.rows import exact
from feedback.reading.layout import Layout
from feedback.reading.layouts import load_layouts
from feedback.reading.reader import LogReader, ReaderState
from feedback.reading.streams import Stream
from feedback.records import Record
from feedback.resolve import Measurement, Text, resolve
from feedback.trust import CLOCK_SLACK, Before, Delivery, marked

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql
    from feedback.ledger.store import Writing


def known_streams(sql: "Sql") -> list[Stream]:
    """Every stream taken so far, as the intake knows it again."""
    return [
        Stream(
            id=row.id,
            machine=row.machine,
            path=row.path,
            head=row.head,
            tail=row.tail,
            digest=row.digest,
            taken=row.taken,
        )
        for row in queries.streams(sql)
    ]


class Taker:
    """Reads text under one configuration and appends what it says."""

    def __init__(self, configuration: Configuration) -> None:
        self._configuration = configuration
        self._layouts: Mapping[str, Layout] = load_layouts(configuration.folder / "layouts")

    def record_configuration(self, tx: "Writing") -> None:
        """Keep the configuration's texts in the history, unless they are the ones in force there already."""
        last = queries.latest(tx.sql, "configuration")
        if last is None or last.content["digest"] != self._configuration.digest:
            texts = dict(self._configuration.texts)
            tx.append("configuration", None, {"digest": self._configuration.digest, "texts": texts})

    def take(self, tx: "Writing", new: NewText) -> int:
        """Append `new` with everything it says; the event's number comes out.

        Where it closes its stream, its half-written line is kept as unreadable and an open part ends.
        """
        reader, last_at = self._reader(tx.sql, new)
        before = reader.state
        records = reader.push(new.data)
        after = reader.state
        content: dict[str, Any] = {
            "machine": new.machine,
            "path": new.path,
            "stream": new.after.id,
            "layout": self._configuration.machines[new.machine].layout,
        }
        if new.closes:
            records += reader.close()
        resolved = self._resolved(tx, new.machine, records, Text(before.lines + 1, new.data), last_at)
        if new.closes:
            return tx.append("closed", new.machine, content, body=new.data, records=resolved)
        content |= {
            "start": new.start,
            "end": new.after.taken,
            "first_line": before.lines + 1,
            "lines": after.lines - before.lines,
            "digest": digest(new.data),
            "head": new.after.head,
            "tail": new.after.tail,
            "stream_digest": new.after.digest,
            "reader": after.to_json(),
        }
        return tx.append("taken", new.machine, content, body=new.data, records=resolved)

    def _reader(self, sql: "Sql", new: NewText) -> tuple[LogReader, datetime | None]:
        """The stream's reader where it stopped, and the newest time the stream has printed."""
        machine = self._configuration.machines[new.machine]
        kept = recent.stream_state(sql, new.after.id)
        state = None if kept is None or kept[0] is None else ReaderState.from_json(kept[0])
        last_at = None if kept is None or kept[1] is None else moment(kept[1])
        return LogReader(self._layouts[machine.layout], machine, state), last_at

    def _resolved(
        self, tx: "Writing", machine: str, records: Sequence[Record], text: Text, last_at: datetime | None
    ) -> list[Record]:
        facts = self._configuration.machines[machine]
        resolved = resolve(records, self._configuration.plans, facts, text)
        times = [record.at for record in resolved if type(record) is Measurement and record.at is not None]
        known = (
            _Delivered(recent.delivered(tx.sql, machine, microseconds(min(times)), microseconds(max(times))))
            if times
            else frozenset[Delivery]()
        )
        if last_at is not None and last_at > tx.at + CLOCK_SLACK:
            last_at = None  # a time in the future was printed there once; nothing can be told by it
        return marked(resolved, Before(now=tx.at, latest=last_at, delivered=known)).records


class _Delivered:
    """Readings the store has of a span of time, asked for as `feedback.trust` names them."""

    def __init__(self, kept: set[tuple[str, str, int, str]]) -> None:
        self._kept = kept

    def __contains__(self, key: object) -> bool:
        if not self._kept:
            return False
        part, feature, at, actual = cast(Delivery, key)
        return at is not None and (part, feature, microseconds(at), exact(actual)) in self._kept
