"""Collects every fault of a cell folder while its tables are checked, each with the line it stands on."""

import tomllib
from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from feedback.configuration.locate import Place, key_lines, line_of
from feedback.configuration.models import Table
from feedback.configuration.suggest import did_you_mean, listed, shown
from feedback.errors import Fault

AnyTable = TypeVar("AnyTable", bound=Table)
Report = Callable[[Place, str], None]  # says what is wrong at a place of one file

_WANTED_INSTEAD = {
    "dict_type": "wanted a table of keys and values",
    "list_type": "wanted a list of tables, each beginning with [[feature]]",
    "literal_error": "wanted another word",
}


class Findings:
    """The faults found so far in one set of configuration texts."""

    def __init__(self, folder: Path, texts: Mapping[str, str]) -> None:
        self._folder = folder
        self._texts = texts
        self._lines: dict[str, Mapping[Place, int]] = {}
        self._faults: list[Fault] = []

    @property
    def faults(self) -> list[Fault]:
        """In order of file, line and key, each once."""
        return sorted(set(self._faults), key=lambda fault: (str(fault.path), fault.line, fault.key, fault.message))

    def has_faults_in(self, start: str) -> bool:
        """Whether anything was found in a file whose relative path begins with `start`."""
        return any(fault.path.relative_to(self._folder).as_posix().startswith(start) for fault in self._faults)

    def add(self, name: str, line: int, key: str, message: str) -> None:
        self._faults.append(Fault(self._folder / name, line, key, message))

    def at(self, name: str) -> Report:
        """What reports a fault at a place of the file called `name`."""
        return lambda place, message: self.add(name, self._line(name, place), _key(place), message)

    def document(self, name: str) -> dict[str, Any] | None:
        """The parsed file called `name`; None when it is no TOML, which is then a fault."""
        text = self._texts[name]
        try:
            return tomllib.loads(text, parse_float=_decimal)
        except RecursionError:
            self.add(name, 1, "", "the tables are nested too deeply; wanted the plain tables of a cell folder")
        except ValueError as error:  # also numbers of thousands of digits, which are no TOMLDecodeError
            line, words = _where(str(error), text)
            self.add(name, line, "", f"this is not TOML: {words}; correct the line, or comment it out with #")
        return None

    def _line(self, name: str, place: Place) -> int:
        if name not in self._lines:
            self._lines[name] = _lines_of(self._texts[name])
        return line_of(self._lines[name], place)


def checked(table: object, shape: type[AnyTable], place: Place, report: Report) -> AnyTable | None:
    """`table` in the given shape; None when something is wrong with it, all of which has then been reported."""
    if not isinstance(table, dict):
        report(place, f"found {shown(table)}; wanted a table of keys and values")
        return None
    try:
        return shape.model_validate(table)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            report((*place, *detail["loc"]), _words(detail, shape))
    return None


def _words(detail: ErrorDetails, shape: type[Table]) -> str:
    if detail["type"] == "missing":
        return f"is missing; wanted {_purpose(str(detail['loc'][-1]))}"
    if detail["type"] == "extra_forbidden":
        known = [field.alias or name for name, field in shape.model_fields.items()]
        hint = did_you_mean(detail["loc"][-1], known)
        return f"is not a key of this table; wanted one of {listed(known, most=20)}{hint}"
    if detail["type"] == "value_error":
        return str(detail["ctx"]["error"])
    return f"found {shown(detail['input'])}; {_WANTED_INSTEAD.get(detail['type'], detail['msg'])}"


def _purpose(key: str) -> str:
    return _PURPOSES.get(key, "a value")


_PURPOSES = {
    "cell": "a table [cell] with the cell's name and time_zone",
    "machine": "at least one table such as [machine.M1]",
    "name": 'a name such as name = "Cell 3"',
    "time_zone": 'the time zone of the controls\' clocks, such as time_zone = "Europe/Lisbon"',
    "logs": 'the folder of its logs, such as logs = "logs/M1"',
    "unit": 'the unit of the bare numbers in its logs: unit = "mm" or unit = "inch"',
    "least_increment": 'the smallest step its registers hold, such as least_increment = "0.001 mm"',
    "tool_radius": 'what its tool register stores: tool_radius = "radius" or tool_radius = "diameter"',
    "kind": 'what it is, such as kind = "bore"',
    "size": 'the certified size, such as size = "40.00062 mm"',
    "uncertainty": 'the expanded uncertainty of the certificate, such as uncertainty = "0.0008 mm"',
    "error_limit": 'how far a check may be off, such as error_limit = "0.003 mm"',
    "may": 'what this person may do, such as may = ["review"]',
    "part": 'what the log calls this plan, such as part = "4101"',
    "probed_in": 'the coordinate system of the probing, such as probed_in = "54"',
    "feature": "at least one table [[feature]]",
    "id": 'what the log calls it, such as id = "12"',
    "nominal": 'the nominal size, such as nominal = "25 mm"',
    "tolerance": 'an ISO 286 class such as "H7", or two deviations such as ["-0.010 mm", "+0.015 mm"]',
}


def _lines_of(text: str) -> Mapping[Place, int]:
    try:
        return key_lines(text)
    except RecursionError:  # nested a little less deeply than the TOML reader itself can bear
        return {}


class _Number(Decimal):
    """A number of a TOML file, repeated in messages as it was written."""

    def __repr__(self) -> str:
        return str(self)


def _decimal(text: str) -> Decimal:
    try:
        return _Number(text)
    except InvalidOperation:
        raise ValueError(f"the number {text[:40]!r} is beyond all reason") from None


def _where(message: str, text: str) -> tuple[int, str]:
    """The line that the TOML reader's message names, and the message without it."""
    words, _, place = message.partition(" (at ")
    if place.startswith("line "):
        return int(place.removeprefix("line ").partition(",")[0]), words
    return (text.count("\n", 0, len(text.rstrip())) + 1 if place else 1), words


def _key(place: Place) -> str:
    """`place` as a person writes it: numbered tables count from 1."""
    words: list[str] = []
    for step in place:
        if isinstance(step, int):
            words[-1:] = [f"{words[-1] if words else ''}[{step + 1}]"]
        else:
            words.append(f'"{step}"' if " " in step or "." in step else step)
    return ".".join(words)
