"""Feeds log text into a store as a cell does: read, resolved, appended together with its records."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from feedback.configuration.facts import Configuration
from feedback.configuration.loading import from_texts
from feedback.ledger.chain import digest
from feedback.ledger.store import Store, Writing
from feedback.reading.layouts import load_layouts
from feedback.reading.reader import LogReader
from feedback.records import Record
from feedback.resolve import Measurement, Text, resolve
from feedback.trust import Doubt
from tests.ledger.shop import MORNING

CELL = """\
[cell]
name = "Cell 3"
time_zone = "Europe/Lisbon"

[machine.M1]
logs = "logs/M1"
unit = "mm"
least_increment = "0.001 mm"
dialect = "g10-memory"
tool_radius = "radius"

[machine.M2]
logs = "logs/M2"
unit = "inch"
least_increment = "0.0001 in"
dialect = "sheet"
tool_radius = "diameter"
"""
PLAN = """\
part = "4101"
material = "aluminium 6061"
probed_in = "54"

[[feature]]
id = "12"
name = "bearing bore"
kind = "bore"
nominal = "25 mm"
tolerance = ["-0.010 mm", "+{upper} mm"]
tool = 5

[[feature]]
id = "13"
name = "seat"
kind = "floor"
nominal = "-8 mm"
tolerance = ["-0.050 mm", "+0.050 mm"]
tool = 5
"""
SECOND_PLAN = PLAN.replace('"4101"', '"4102"').replace("-8 mm", "-9 mm")

DAY = """\
OFFSET WORK 54 X 102.345
PART 118 PLAN 4101 DATE 20261125 TIME 064512
OFFSET TOOL 5 RADIUS -0.012 LENGTH 0
FEATURE 12 ACTUAL 24.9987 TEMP 22.4
FEATURE 13 ACTUAL -7.998
FEATURE 14 ACTUAL 3
END 118
NEWTOOL 5
SETTER TOOL 5 LENGTH 132.4412 RADIUS 4.9987
ARTEFACT RING1 ACTUAL 40.0012 X 0.0004 Y -0.0003 TEMP 21.0
CALIBRATION PROBE 1 RXP 2.9981 RXM 2.9979 BALL 6 DATE 20261125 TIME 070000
REPEAT RING1 POINT 1 ACTUAL 40.0011
PART 119 PLAN 4102 DATE 20261125 TIME 071544
MISS FEATURE 12
FEATURE 13 ACTUAL -9,002
FEATURE 13 ACTUAL -9.002
PART 120 PLAN 4101
FEATURE 12 ACTUAL 25.0012 DATE 20261125 TIME 073000
END 120
"""


def texts(upper: str = "0.015") -> dict[str, str]:
    """The files of the cell; `upper` is the bore's upper limit, so that there can be two configurations."""
    return {"cell.toml": CELL, "parts/4101.toml": PLAN.replace("{upper}", upper), "parts/4102.toml": _second(upper)}


def _second(upper: str) -> str:
    return SECOND_PLAN.replace("{upper}", upper)


class Feeder:
    """Writes taken text of any number of streams into one store."""

    def __init__(self, store: Store, folder: Path) -> None:
        self.store = store
        self.folder = folder
        self.configuration: Configuration
        self.readers: dict[str, LogReader] = {}
        self.taken: dict[str, bytes] = {}

    def configure(self, tx: Writing, upper: str = "0.015") -> None:
        """Put a configuration in force."""
        self.configuration = from_texts(self.folder, texts(upper))
        recorded = {"digest": self.configuration.digest, "texts": dict(self.configuration.texts)}
        tx.append("configuration", None, recorded)

    def take(self, tx: Writing, text: str, stream: str = "s1", machine: str = "M1", doubted: Sequence[int] = ()) -> int:
        """Take whole lines; the measurements in the lines `doubted` are not believed."""
        reader = self._reader(stream, machine)
        before, body = reader.state, text.encode("latin-1")
        records = self._resolved(reader.push(body), machine, doubted, Text(before.lines + 1, body))
        sofar = self.taken[stream] = self.taken.get(stream, b"") + body
        content = {
            "machine": machine,
            "path": f"{machine}/{stream}.txt",
            "stream": stream,
            "start": before.bytes,
            "end": len(sofar),
            "first_line": before.lines + 1,
            "lines": reader.state.lines - before.lines,
            "digest": digest(body),
            "head": digest(sofar[:4096]),
            "tail": digest(sofar[-4096:]),
            "stream_digest": digest(sofar),
            "layout": "pairs",
            "reader": reader.state.to_json(),
        }
        return tx.append("taken", machine, content, body, records)

    def close(self, tx: Writing, half_line: str, stream: str = "s1", machine: str = "M1") -> int:
        """The stream was rotated away with a half-written line."""
        reader = self._reader(stream, machine)
        text = Text(reader.state.lines + 1, half_line.encode())
        records = self._resolved([*reader.push(text.raw), *reader.close()], machine, (), text)
        content = {"machine": machine, "path": f"{machine}/{stream}.txt", "stream": stream, "layout": "pairs"}
        del self.readers[stream]
        return tx.append("closed", machine, content, text.raw, records)

    def day(self, text: str = DAY) -> None:
        """Configuration and one text, in one transaction each."""
        with self.store.writing(MORNING) as tx:
            self.configure(tx)
        with self.store.writing(MORNING) as tx:
            self.take(tx, text)

    def _reader(self, stream: str, machine: str) -> LogReader:
        if stream not in self.readers:
            facts = self.configuration.machines[machine]
            self.readers[stream] = LogReader(load_layouts(None)[facts.layout], facts)
        return self.readers[stream]

    def _resolved(self, records: Sequence[Record], machine: str, doubted: Sequence[int], text: Text) -> list[Record]:
        facts = self.configuration.machines[machine]
        resolved = resolve(records, self.configuration.plans, facts, text)
        return [
            replace(record, doubts=(Doubt("nominal", "another program ran"),))
            if isinstance(record, Measurement) and record.line in doubted
            else record
            for record in resolved
        ]
