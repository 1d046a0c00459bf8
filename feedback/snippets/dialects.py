"""How one kind of control wants a register to be set: a TOML file of templates and facts, shipped or the shop's own.

A dialect is checked whole when it is read: every fault at once, before any correction depends on it.
"""

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Final, Literal, cast

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from feedback.configuration.locate import Place, key_lines, line_of
from feedback.configuration.suggest import did_you_mean, listed
from feedback.errors import ConfigurationError, Fault
from feedback.registers import Register
from feedback.snippets import fields, words
from feedback.snippets.inert import NEEDED

Family = Literal["tool_length", "tool_radius", "tool_x", "tool_z", "work", "rotary"]
Line = Annotated[str, StringConstraints(pattern=r"^[ -~]*$")]
System = Annotated[str, StringConstraints(pattern=f"^(?:{fields.SYSTEM_SHAPE}|L\\d{{1,2}} P\\*|P\\*)$")]

_WANTED: Final = {
    "suffix": 'the ending of a file name, such as ".nc"',
    "systems": 'the words that name a system, such as "P1", "L2 P1" or, for "54.1 P*", "L20 P*"',
    "units": 'one code such as "G21"',
}

SHIPPED: Final = Path(__file__).parent / "shipped"


def family(register: Register) -> Family:
    """The kind of template that writes `register`."""
    return cast(Family, f"tool_{register.axis}" if register.kind == "tool" else register.kind)


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class CommentMarks(_Table):
    """What opens and closes a comment; `close` is empty where a comment runs to the end of its line."""

    open: Annotated[Line, StringConstraints(min_length=1)]
    close: Line


class Units(_Table):
    """What states the unit of lengths, for example a G code."""

    mm: Annotated[str, StringConstraints(pattern="^[A-Za-z0-9]+$")]
    inch: Annotated[str, StringConstraints(pattern="^[A-Za-z0-9]+$")]


class Decimals(_Table):
    """Most digits after the point that may be written."""

    mm: Annotated[int, Field(ge=0, le=6)]
    inch: Annotated[int, Field(ge=0, le=6)]
    deg: Annotated[int, Field(ge=0, le=6)]


class Dialect(_Table):
    """One dialect. The lines of a snippet are: begin, comments, guard, before, write, after, end."""

    name: str
    summary: str
    suffix: Annotated[str, StringConstraints(pattern=r"^\.[a-z0-9]{1,8}$")]
    for_hand_entry: bool = False
    characters: str
    longest_line: Annotated[int, Field(ge=40, le=200)]
    radius_word: Literal["as stored", "radius", "diameter"] = "as stored"
    comment: CommentMarks
    units: Units
    decimals: Decimals
    systems: Mapping[str, System] = {}
    parameters: Mapping[str, Annotated[int, Field(ge=1)]] = {}
    begin: tuple[Line, ...] = ()
    guard: Mapping[Family, tuple[Line, ...]] = {}
    before: tuple[Line, ...] = ()
    write: Annotated[Mapping[Family, tuple[Line, ...]], Field(min_length=1)]
    after: tuple[Line, ...] = ()
    end: tuple[Line, ...] = ()
    notes: Mapping[Family | Literal["all"], tuple[Line, ...]] = {}
    refuse: Mapping[Family, str] = {}

    def executed(self, kind: Family) -> tuple[str, ...]:
        """The templates of every line that is not a comment, in order, for one family of registers."""
        return (*self.begin, *self.guard.get(kind, ()), *self.before, *self.write[kind], *self.after, *self.end)

    @property
    def fields(self) -> Mapping[str, str]:
        """The fields that may stand in an executed line, with the shapes of their values."""
        extra = fields.HAND_ENTRY_FIELDS if self.for_hand_entry else {}
        return {**fields.EXECUTABLE_FIELDS, **extra, "unit_code": f"{self.units.mm}|{self.units.inch}"}

    def system(self, owner: str) -> str | None:
        """The words that name a coordinate system such as "work 54.1 P3"; None: this dialect has none for it."""
        name = owner.removeprefix("work ")
        base, _, number = name.partition(" P")
        return (
            self.systems.get(name)
            or (self.systems.get(f"{base} P*", "").replace("*", number) if number else "")
            or None
        )


def load_dialects(folder: Path | None) -> dict[str, Dialect]:
    """The shipped dialects and those in `folder` (a cell's `dialects`), by name; a missing folder adds none.

    Raises ConfigurationError with every fault of every file.
    """
    texts = dict(_texts(SHIPPED))
    own = dict(_texts(folder)) if folder is not None and folder.is_dir() else {}
    return dialects_from_texts({**texts, **own})


def dialects_from_texts(texts: Mapping[Path, str]) -> dict[str, Dialect]:
    """Likewise from texts already read; each dialect is called after its file."""
    found: dict[str, Dialect] = {}
    faults: list[Fault] = []
    for path, text in texts.items():
        if path.stem in found:
            wanted = f"wanted a name other than the shipped {listed(sorted(found))}; rename the file"
            faults.append(Fault(path, 1, "", f"found a second dialect called {path.stem!r}; {wanted}"))
            continue
        dialect = _read(path, text, faults)
        if dialect is not None:
            found[path.stem] = dialect
    if faults:
        raise ConfigurationError(faults)
    return found


def _texts(folder: Path) -> Iterator[tuple[Path, str]]:
    for path in sorted(folder.glob("*.toml")):
        yield path, path.read_text(encoding="utf-8", errors="replace")


def _read(path: Path, text: str, faults: list[Fault]) -> Dialect | None:
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = re.search(r"line (\d+)", str(error))
        faults.append(Fault(path, int(at[1]) if at else 1, "", f"not valid TOML: {error}; correct the file"))
        return None
    lines = key_lines(text)
    try:
        dialect = Dialect.model_validate({**document, "name": path.stem})
    except ValidationError as error:
        faults.extend(_shape_faults(path, lines, error))
        return None
    own = [Fault(path, line_of(lines, place), _key(place), words) for place, words in _content_faults(dialect)]
    faults.extend(own)
    return None if own else dialect


def _key(place: Place) -> str:
    return ".".join(str(part) for part in place if isinstance(part, str))


def _shape_faults(path: Path, lines: Mapping[Place, int], error: ValidationError) -> Iterator[Fault]:
    for detail in error.errors():
        place = tuple(part for part in detail["loc"] if part != "[key]")
        yield Fault(
            path,
            line_of(lines, place),
            _key(place),
            _shape_words(detail["type"], detail["msg"], detail["input"], place),
        )


def _shape_words(kind: str, message: str, found: object, place: Place) -> str:
    if kind == "missing":
        return f"missing; wanted a value for {_key(place)!r}"
    if kind == "extra_forbidden":
        known = Dialect.model_fields
        return f"not a key of a dialect; wanted one of {listed(known, most=30)}{did_you_mean(place[-1], known)}"
    if kind == "string_pattern_mismatch":
        return f"found {found!r}; wanted {_WANTED.get(str(place[0]), 'printable ASCII on one line')}"
    return f"found {found!r}; {message[:1].lower()}{message[1:]}"


def _content_faults(dialect: Dialect) -> Iterator[tuple[Place, str]]:
    yield from _character_faults(dialect)
    for place, template in _executed_templates(dialect):
        yield from ((place, words) for words in _template_faults(dialect, place, template))
    for kind, templates in dialect.notes.items():
        for index, template in enumerate(templates):
            allowed = {*dialect.fields, *fields.TEXT_FIELDS}
            yield from ((("notes", kind, index), words) for words in _field_faults(template, allowed))
    for kind in dialect.write:
        yield from _program_faults(dialect, kind)


def _executed_templates(dialect: Dialect) -> Iterator[tuple[Place, str]]:
    for part in ("begin", "before", "after", "end"):
        yield from (((part, index), line) for index, line in enumerate(getattr(dialect, part)))
    for table in ("guard", "write"):
        for kind, templates in getattr(dialect, table).items():
            yield from (((table, kind, index), line) for index, line in enumerate(templates))


def _character_faults(dialect: Dialect) -> Iterator[tuple[Place, str]]:
    missing = [letter for letter in NEEDED if letter not in dialect.characters]
    if missing:
        yield ("characters",), f"{''.join(missing)!r} missing; our own comments are written with them"
    bad = sorted(
        {letter for letter in dialect.characters if not " " <= letter <= "~" or letter in "()[]{};%#$<>\"'`\\"}
    )
    if bad:
        yield ("characters",), f"found {''.join(bad)!r}, which could end a comment or start a block; leave them out"
    if set(dialect.comment.close) & set(dialect.characters):
        yield ("comment", "close"), "found a character that comments may contain; take it out of `characters`"


def _template_faults(dialect: Dialect, place: Place, template: str) -> Iterator[str]:
    found = list(_field_faults(template, dialect.fields.keys() - _foreign(place)))
    yield from found
    if found:
        return
    for unit_code in dict.fromkeys((dialect.units.mm, dialect.units.inch)) if "$unit_code" in template else ("",):
        yield from _sample_faults(dialect, fields.filled(template, {**fields.SAMPLE, "unit_code": unit_code}))


def _sample_faults(dialect: Dialect, sample: str) -> Iterator[str]:
    if len(sample) > dialect.longest_line:
        yield f"{len(sample)} characters once filled in; wanted at most {dialect.longest_line}"
    if not dialect.for_hand_entry:
        yield from (f"{fault}; found in {sample!r}" for fault in words.faults(sample))


def _foreign(place: Place) -> frozenset[str]:
    """The fields without a value at `place`: a tool has no axis, and lines shared by all registers have neither."""
    if place[0] not in ("guard", "write"):
        return fields.TOOL_FIELDS | fields.WORK_FIELDS
    return fields.WORK_FIELDS if str(place[1]).startswith("tool") else fields.TOOL_FIELDS


def _field_faults(template: str, allowed: Iterable[str]) -> Iterator[str]:
    try:
        used = fields.names(template)
        fields.filled(template, dict.fromkeys(used, ""))
    except ValueError:
        yield f"found a '$' without a field name in {template!r}; wanted $name, or $$ for a dollar sign"
        return
    for name in used:
        if name in fields.TEXT_FIELDS and name not in allowed:
            yield f"${name} holds text and may stand in notes only: a control would execute it here"
        elif name not in allowed:
            yield f"unknown field ${name}; wanted {listed(sorted(allowed), most=30)}{did_you_mean(name, allowed)}"


def _program_faults(dialect: Dialect, kind: Family) -> Iterator[tuple[Place, str]]:
    """Faults of all executed lines of one family taken together."""
    lines = dialect.executed(kind)
    if not any("new" in _used(line) for line in dialect.write[kind]):
        yield ("write", kind), "no line uses $new; wanted the absolute new value, so that running it twice does no harm"
    yield from ((("guard", kind), words) for words in words.block_faults(lines))
    if dialect.for_hand_entry:
        return
    if not any(line.split() and "G90" in line.split() for line in lines):
        yield (
            ("before",),
            "no line states G90; wanted absolute mode written out, since G91 may turn a value into an increment",
        )
    if kind != "rotary" and not any("unit_code" in _used(line) for line in lines):
        yield ("before",), "no line uses $unit_code; wanted the unit written out, since the control may be in the other"


def _used(template: str) -> list[str]:
    try:
        return fields.names(template)
    except ValueError:
        return []
