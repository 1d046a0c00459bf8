"""Shows how each line of a log file is understood. A shell: it reads the file and the cell's configuration."""

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from feedback.configuration.facts import Configuration, Machine
from feedback.configuration.loading import load
from feedback.errors import TrueupError, UsageError
from feedback.reading.describe import describe
from feedback.reading.layout import Layout
from feedback.reading.layouts import load_layouts
from feedback.reading.reader import LogReader
from feedback.records import Record, Unreadable
from feedback.resolve import Measurement, Text, resolve
from feedback.units import plain


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What one record of a log says; a line may hold several."""

    file: str
    line: int
    column: int
    kind: str
    words: str

    @property
    def is_unreadable(self) -> bool:
        return self.kind == "unreadable"

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.is_unreadable else f"{self.file}:{self.line}"
        return f"{place}: {self.words}"


def understood(folder: Path, path: Path, machine: str | None, layout: str | None) -> list[Line]:
    """Every record of the file at `path`, read as the given machine's log (with another layout, where one is given)."""
    configuration = load(folder)
    facts = _machine(configuration, machine)
    reader = LogReader(_layout(folder, layout or facts.layout), facts)
    try:
        raw = path.read_bytes()
    except OSError as fault:
        raise TrueupError(f"{path}: cannot be read: {fault.strerror or fault}") from fault
    records = [*reader.push(raw), *reader.close()]
    return [_line(path.name, record) for record in resolve(records, configuration.plans, facts, Text(1, raw))]


def _machine(configuration: Configuration, name: str | None) -> Machine:
    machines = configuration.machines
    if name is None and len(machines) == 1:
        return next(iter(machines.values()))
    if name is None or name not in machines:
        found = "no machine" if name is None else f"machine {name!r}"
        raise UsageError(f"found {found}; wanted --machine with one of: {', '.join(machines)}")
    return machines[name]


def _layout(folder: Path, name: str) -> Layout:
    layouts = load_layouts(folder / "layouts")
    if name not in layouts:
        raise UsageError(f"there is no layout {name!r}; wanted one of: {', '.join(sorted(layouts))}")
    return layouts[name]


def _line(file: str, record: Record) -> Line:
    column = record.column if isinstance(record, Unreadable) else 1
    kind = "unreadable" if isinstance(record, Unreadable) else _KINDS.get(type(record).__name__, "other")
    return Line(file=file, line=record.line, column=column, kind=kind, words=_words(record))


def _words(record: Record) -> str:
    """A measurement also says how far off it is: that is what an engineer checks a new plan by."""
    if not isinstance(record, Measurement):
        return describe(record)
    unit = record.feature.unit
    off, nominal = plain(record.deviation), plain(record.feature.nominal)
    return f"{describe(record.reading)}, {off} {unit} from nominal {nominal} {unit}"


_KINDS = {
    "PartBegin": "part",
    "PartEnd": "part end",
    "Measurement": "reading",
    "Miss": "miss",
    "RegisterReadback": "register",
    "NewTool": "new tool",
    "SetterReading": "setter",
    "ArtefactReading": "artefact",
    "ProbeCalibration": "calibration",
    "Repeat": "repeat",
}
