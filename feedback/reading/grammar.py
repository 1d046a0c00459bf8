"""Takes lines apart by the shop's own patterns, and rows of tables by their header."""

import csv
import re
from collections.abc import Iterator, Mapping
from typing import Final, Protocol

from feedback.reading.layout import Columns, Lines
from feedback.reading.misread import MisreadError
from feedback.reading.pairs import Taken

_DELIMITERS: Final = {",": ",", ";": ";", "tab": "\t"}
_MEANING: Final = {"temperature": "TEMP"}  # where the layout's key is not the word in small letters


class Grammar(Protocol):
    """Takes one line apart at a time."""

    def take(self, text: str) -> Taken | None:
        """The kind of record and the values of its words, or None where the line holds nothing. Raises MisreadError."""

    def column(self, text: str, word: str) -> int:
        """The column (from 1) of the value of `word` in a line that `take` took."""

    def may_begin_part(self, text: str, /) -> bool:
        """Whether an unreadable line may have been the beginning of a part."""


class LinesGrammar:
    """The grammar of one `lines` layout: the first pattern that fits the whole line counts."""

    def __init__(self, layout: Lines) -> None:
        self._name = layout.name
        self._skip = [re.compile(pattern, re.ASCII) for pattern in layout.skip]
        self._lines = [(line.form, re.compile(line.pattern, re.ASCII)) for line in layout.line]

    def take(self, text: str) -> Taken | None:
        if not text or text.isspace() or any(pattern.fullmatch(text) for pattern in self._skip):
            return None
        for kind, pattern in self._lines:
            match = pattern.fullmatch(text)
            if match is not None:
                return kind, {word.upper(): value for word, value in match.groupdict().items() if value is not None}
        raise MisreadError(
            f"found a line that fits no pattern of layout {self._name}; wanted a pattern for it or a skip"
        )

    def column(self, text: str, word: str) -> int:
        for _, pattern in self._lines:
            match = pattern.fullmatch(text)
            if match is not None:
                return max(match.start(word.lower()), 0) + 1 if word.lower() in pattern.groupindex else 1
        return 1

    def may_begin_part(self, text: str) -> bool:
        """A line that no pattern fits could be anything, so only one that fits the part's pattern counts."""
        return any(kind == "PART" and pattern.fullmatch(text) for kind, pattern in self._lines)


class ColumnsGrammar:
    """The grammar of one `columns` layout. `header` is the header row in force, None before the first."""

    def __init__(self, layout: Columns, header: str | None) -> None:
        self._words = {name.strip().lower(): _MEANING.get(word, word.upper()) for word, name in layout.columns.items()}
        self._needed = {layout.columns[word].strip().lower() for word in ("part", "feature", "actual")}
        self._delimiters = layout.delimiter
        self._miss = frozenset(layout.miss)
        self._delimiter = ""
        self._columns: list[str | None] = []
        self.header: str | None = None
        if header is not None:
            self._is_header(header)

    def take(self, text: str) -> Taken | None:
        if not text or text.isspace() or self._is_header(text):
            return None
        if self.header is None:
            wanted = ", ".join(sorted(self._needed))
            raise MisreadError(f"found a row before any header; wanted a header row that names {wanted}")
        fields = _split(text, self._delimiter)
        if len(fields) != len(self._columns):
            raise MisreadError(
                f"found {len(fields)} fields{_comma_guess(text)}; wanted {len(self._columns)} as in the header"
            )
        values = {word: field for word, field in zip(self._columns, fields, strict=True) if word and field != ""}
        return self._kind(values), values

    def column(self, text: str, word: str) -> int:
        if word not in self._columns:
            return 1
        at = self._columns.index(word)
        starts = list(_starts(text, self._delimiter))
        return starts[at] if at < len(starts) else 1

    def may_begin_part(self, _text: str) -> bool:
        """Never: every row names its own part."""
        return False

    def _kind(self, values: dict[str, str]) -> str:
        for word in ("PART", "FEATURE"):
            if word not in values:
                raise MisreadError(f"{word.lower()} is empty; wanted its name", word=word)
        if values.get("ACTUAL", "") in self._miss:
            values.pop("ACTUAL", None)
            return "MISS"
        if "ACTUAL" not in values:
            raise MisreadError("actual is empty; wanted a number such as 24.9987", word="ACTUAL")
        return "FEATURE"

    def _is_header(self, text: str) -> bool:
        if text == self.header:
            return True
        lowered = text.lower()
        if not all(name in lowered for name in self._needed):
            return False
        for delimiter in self._delimiters:
            names = [name.lower() for name in _split(text, delimiter)]
            if self._needed <= set(names):
                columns = [self._words.get(name) for name in names]
                named = [word for word in columns if word is not None]
                if len(set(named)) < len(named):
                    raise MisreadError("found one column twice in the header; wanted each once")
                self.header, self._delimiter, self._columns = text, delimiter, columns
                return True
        return False


def _split(text: str, delimiter: str) -> list[str]:
    """The row's fields without the blanks around them; raises MisreadError for quotes that do not close."""
    if delimiter == "blanks":
        return text.split()
    if '"' not in text:
        return [field.strip() for field in text.split(_DELIMITERS[delimiter])]
    try:
        (fields,) = csv.reader([text], delimiter=_DELIMITERS[delimiter], strict=True, skipinitialspace=True)
    except csv.Error as error:
        raise MisreadError(
            f"found quotes that do not fit ({error}); wanted each field in one pair of quotes or none"
        ) from None
    return [field.strip() for field in fields]


def _starts(text: str, delimiter: str) -> Iterator[int]:
    """The columns at which the row's fields begin; quotes are taken as part of their field."""
    pattern = r"\S+" if delimiter == "blanks" else rf'(?:"[^"]*"|[^{_DELIMITERS[delimiter]}"])*'
    at = 0
    while at <= len(text):
        found = re.compile(pattern).search(text, at) if delimiter == "blanks" else re.compile(pattern).match(text, at)
        if found is None:
            return
        blanks = len(found[0]) - len(found[0].lstrip())
        yield found.start() + blanks + 1
        at = found.end() + 1


def _comma_guess(text: str) -> str:
    return " (decimals use a point)" if re.search(r"\d,\d", text) else ""


def words_of(values: Mapping[str, str], *dropped: str) -> Mapping[str, str]:
    """`values` without the words that belong to the part and not to the record."""
    return {word: value for word, value in values.items() if word not in dropped}
