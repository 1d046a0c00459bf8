"""Reads dialects, shipped or the shop's own, from TOML files.

A dialect is checked whole when it is read: every fault at once, before any correction depends on it.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from feedback.configuration.locate import Place, key_lines, line_of
from feedback.configuration.suggest import did_you_mean, listed
from feedback.errors import ConfigurationError, Fault
from feedback.snippets.dialect import Dialect
from feedback.snippets.dialect_faults import content_faults

__all__ = ["Dialect", "dialects_from_texts", "load_dialects"]

SHIPPED: Final = Path(__file__).parent / "shipped"

_WANTED: Final = {
    "suffix": 'the ending of a file name, such as ".nc"',
    "systems": 'the words that name a system, such as "P1", "L2 P1" or, for "54.1 P*", "L20 P*"',
    "units": 'one code such as "G21"',
}


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
    own = [Fault(path, line_of(lines, place), _key(place), words) for place, words in content_faults(dialect)]
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
