"""Layouts: TOML descriptions of how a control prints its records. Pure: texts in, layouts or all their faults out."""

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, field_validator, model_validator

from feedback.configuration.locate import key_lines, line_of
from feedback.errors import ConfigurationError, Fault
from feedback.reading.dates import date_pattern, time_pattern
from feedback.reading.vocabulary import ALL_WORDS, KNOWN, NEEDED, OPEN_KINDS

ColumnWord = Literal[
    "part", "plan", "feature", "actual", "nominal", "lower", "upper", "tool", "unit", "temperature", "date", "time"
]
Delimiter = Literal[",", ";", "tab", "blanks"]
_NEEDED_COLUMNS: tuple[ColumnWord, ...] = ("part", "feature", "actual")


class _Layout(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    name: str = ""
    date: str = "yyyymmdd"
    time: str = "hhmmss"

    @field_validator("date")
    @classmethod
    def _date_form(cls, form: str) -> str:
        date_pattern(form)
        return form

    @field_validator("time")
    @classmethod
    def _time_form(cls, form: str) -> str:
        time_pattern(form)
        return form


class Pairs(_Layout):
    """Records of words in pairs, one record a line. `words` gives the control's own words their meaning here."""

    kind: Literal["pairs"]
    words: Mapping[str, str] = {}

    @field_validator("words")
    @classmethod
    def _known_words(cls, words: Mapping[str, str]) -> Mapping[str, str]:
        for own, meant in words.items():
            if meant.upper() not in ALL_WORDS:
                raise ValueError(f"{own!r} is to mean {meant!r}; wanted one of {', '.join(sorted(ALL_WORDS))}")
        return {own.upper(): meant.upper() for own, meant in words.items()}


class Columns(_Layout):
    """A table with a header row; each row is one reading. `columns` says what the header calls each of our words."""

    kind: Literal["columns"]
    delimiter: list[Delimiter] = Field(default=[",", ";", "tab"], min_length=1)
    columns: Mapping[ColumnWord, str]
    miss: list[str] = []  # what the row prints as actual when the probe did not trigger

    @field_validator("columns")
    @classmethod
    def _needed_columns(cls, columns: Mapping[ColumnWord, str]) -> Mapping[ColumnWord, str]:
        missing = [word for word in _NEEDED_COLUMNS if word not in columns]
        if missing:
            raise ValueError(f"wanted the header's name for {', '.join(missing)}")
        names = [name.strip().lower() for name in columns.values()]
        if len(set(names)) < len(names):
            raise ValueError("one header name stands for two columns; wanted a name for each")
        return columns


class LinePattern(BaseModel):
    """One kind of line: named groups are the words of `pairs` in small letters."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    record: Literal[
        "part", "end", "feature", "miss", "offset", "newtool", "setter", "artefact", "calibration", "repeat"
    ]
    pattern: str

    @field_validator("pattern")
    @classmethod
    def _compiles(cls, pattern: str) -> str:
        _compiled(pattern)
        return pattern

    @model_validator(mode="after")
    def _groups_are_words(self) -> "LinePattern":
        groups = {group.upper() for group in re.compile(self.pattern).groupindex}
        unknown = groups - KNOWN[self.form]
        if unknown and self.form not in OPEN_KINDS:
            raise ValueError(
                f"group {', '.join(sorted(unknown)).lower()} means nothing in a {self.record!r} line; "
                f"wanted {', '.join(sorted(KNOWN[self.form])).lower()}"
            )
        missing = [word for word in NEEDED[self.form] if word not in groups]
        if missing:
            raise ValueError(f"a {self.record!r} line needs a group named {', '.join(missing).lower()}")
        return self

    @property
    def form(self) -> str:
        """The kind of record as `feedback.reading.vocabulary` names it."""
        if self.record == "offset":
            return "OFFSET WORK" if "work" in re.compile(self.pattern).groupindex else "OFFSET TOOL"
        return self.record.upper()


class Lines(_Layout):
    """Line patterns of the shop's own: the first that fits a whole line says what it means; `skip` is passed over."""

    kind: Literal["lines"]
    skip: list[str] = []
    line: list[LinePattern] = Field(min_length=1)

    @field_validator("skip")
    @classmethod
    def _compile(cls, skip: list[str]) -> list[str]:
        for pattern in skip:
            _compiled(pattern)
        return skip


Layout = Pairs | Columns | Lines

_ANY_LAYOUT: TypeAdapter[Layout] = TypeAdapter(Annotated[Layout, Field(discriminator="kind")])


def layout(path: Path, text: str) -> Layout:
    """The layout written in `text`, called by the stem of `path`. Raises ConfigurationError with all faults of it."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = re.search(r"at line (\d+)", str(error))
        raise ConfigurationError([Fault(path, int(at[1]) if at else 1, "", f"not TOML: {error}")]) from None
    try:
        return _ANY_LAYOUT.validate_python({**table, "name": path.stem})
    except ValidationError as error:
        raise ConfigurationError(list(_faults(path, text, error))) from None


def _faults(path: Path, text: str, error: ValidationError) -> Iterator[Fault]:
    lines = key_lines(text)
    for fault in error.errors():
        place = fault["loc"][1:]  # the first step is the layout's kind
        yield Fault(
            path, line_of(lines, place), ".".join(map(str, place)), _words(fault["type"], fault["msg"], fault["input"])
        )


def _words(kind: str, message: str, found: Any) -> str:
    match kind:
        case "extra_forbidden":
            return "unknown key; remove it or see the shipped layouts for the keys there are"
        case "missing":
            return "missing; wanted this key"
        case "union_tag_invalid" | "union_tag_not_found":
            return 'wanted kind = "pairs", "columns" or "lines"'
        case "value_error":
            return message.removeprefix("Value error, ")
        case _:
            return f"found {found!r}; {message[0].lower()}{message[1:]}"


def _compiled(pattern: str) -> re.Pattern[str]:
    try:
        return re.compile(pattern, re.ASCII)
    except re.error as error:
        raise ValueError(f"{pattern!r} is not a regular expression: {error}") from None
