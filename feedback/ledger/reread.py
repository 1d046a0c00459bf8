"""Reads taken text again, under the configuration that was in force when it was taken."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import Any

from feedback.configuration import loading
from feedback.configuration.facts import Configuration
from feedback.errors import StoreError
from feedback.ledger.chain import Event
from feedback.ledger.rows import doubts_by_line
from feedback.reading.layout import Layout, layout
from feedback.reading.layouts import load_layouts
from feedback.reading.reader import LogReader, ReaderState
from feedback.records import Record
from feedback.resolve import Measurement, Text, resolve
from feedback.trust import Doubt


class RecordedTexts:
    """Remembers the configuration as the history goes on, and reads each text under it.

    The doubts are those of the event, not found anew: what was believed at the time is part of the history.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._configuration: Configuration | None = None
        self._layouts: dict[str, Layout] = {}

    def configure(self, texts: Mapping[str, str]) -> None:
        """From here on `texts` are in force."""
        self._configuration = loading.from_texts(self._folder, texts)
        own = [name for name in texts if name.startswith("layouts/")]
        self._layouts = load_layouts(None) | {
            PurePosixPath(name).stem: layout(self._folder / name, texts[name]) for name in own
        }

    def records(self, event: Event, reader: Mapping[str, Any] | None) -> Sequence[Record]:
        """What the text of `event` says; `reader` is where its stream stood before."""
        if self._configuration is None:
            raise StoreError(
                f"event {event.seq} ({event.kind}) stands before any configuration; it cannot be read again"
            )
        content = event.content
        machine = self._configuration.machines[event.machine or ""]
        state = None if reader is None else ReaderState.from_json(reader)
        log = LogReader(self._layouts[content["layout"]], machine, state)
        records = log.push(event.body or b"")
        if event.kind == "closed":
            records += log.close()
        text = Text(1 if state is None else state.lines + 1, event.body or b"")
        return _doubted(resolve(records, self._configuration.plans, machine, text), content["doubts"])


def _doubted(records: Sequence[Record], kept: Sequence[Sequence[Any]]) -> Sequence[Record]:
    by_line = doubts_by_line(kept)
    if not by_line:
        return records
    return [_with_doubts(record, by_line.get(record.line, ())) for record in records]


def _with_doubts(record: Record, doubts: Sequence[tuple[str, str]]) -> Record:
    if not doubts or not isinstance(record, Measurement):
        return record
    return replace(record, doubts=tuple(Doubt(check, words) for check, words in doubts))
