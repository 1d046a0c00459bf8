"""Finds the line on which each key of a TOML text is written, which the standard library's reader does not tell."""

import re
import tomllib
from collections.abc import Iterator, Mapping

Place = tuple[str | int, ...]

_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}'  # strings first, so that nothing inside them looks like structure
    r"|'''.*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*"
    r"|[\[\]{}=,.\n]"
    r"|[^\s\[\]{}=,.\#\"']+",
    re.DOTALL,
)


def key_lines(text: str) -> Mapping[Place, int]:
    """Line (from 1) of every table, key and array element of `text`, which must be valid TOML.

    Elements of arrays and arrays of tables are numbered from 0, as in the parsed document.
    """
    return _Walk(text).lines


def line_of(lines: Mapping[Place, int], place: Place) -> int:
    """The line of `place`, or of the nearest table around it that is written down; 1 for the document itself."""
    while place and place not in lines:
        place = place[:-1]
    return lines.get(place, 1)


class _Walk:
    def __init__(self, text: str) -> None:
        self.lines: dict[Place, int] = {}
        self._tables: dict[Place, int] = {}  # last index of each array of tables
        self._tokens = _tokens(text)
        self._next()
        table: Place = ()
        while self._token:
            if self._token == "[":
                table = self._header()
            elif self._token == "\n":
                self._next()
            else:
                self._pair(table)

    def _next(self) -> None:
        self._token, self._line = next(self._tokens, ("", 0))

    def _skip(self, *unwanted: str) -> None:
        while self._token in unwanted:
            self._next()

    def _key(self, end: str) -> list[str]:
        parts = []
        while self._token not in (end, ""):
            if self._token != ".":
                parts.append(_unquoted(self._token))
            self._next()
        return parts

    def _header(self) -> Place:
        line = self._line
        self._next()
        in_array = self._token == "["
        self._skip("[")
        *around, last = self._key("]")
        self._skip("]")
        place = (*self._open(around, line), last)
        if in_array:
            self.lines.setdefault(place, line)
            self._tables[place] = self._tables.get(place, -1) + 1
            place = (*place, self._tables[place])
        self.lines[place] = line
        return place

    def _open(self, parts: list[str], line: int) -> Place:
        """The table `parts` leads to: a name of an array of tables means its latest table."""
        place: Place = ()
        for part in parts:
            place = (*place, part)
            self.lines.setdefault(place, line)
            if place in self._tables:
                place = (*place, self._tables[place])
        return place

    def _pair(self, table: Place) -> None:
        line = self._line
        for part in self._key("="):
            table = (*table, part)
            self.lines.setdefault(table, line)
        self._next()
        self._value(table)

    def _value(self, place: Place) -> None:
        if self._token == "{":
            self._inline_table(place)
        elif self._token == "[":
            self._array(place)
        else:
            while self._token not in (",", "]", "}", "\n", ""):
                self._next()

    def _inline_table(self, place: Place) -> None:
        self._next()
        self._skip("\n", ",")
        while self._token not in ("}", ""):
            self._pair(place)
            self._skip("\n", ",")
        self._next()

    def _array(self, place: Place) -> None:
        self._next()
        self._skip("\n", ",")
        index = 0
        while self._token not in ("]", ""):
            self.lines[(*place, index)] = self._line
            self._value((*place, index))
            self._skip("\n", ",")
            index += 1
        self._next()


def _tokens(text: str) -> Iterator[tuple[str, int]]:
    line, reached = 1, 0
    for match in _TOKEN.finditer(text):
        line += text.count("\n", reached, match.start())
        reached = match.start()
        if not match[0].startswith("#"):
            yield match[0], line


def _unquoted(key: str) -> str:
    if key[0] not in "\"'":
        return key
    (value,) = tomllib.loads(f"{key} = 0")
    return value
