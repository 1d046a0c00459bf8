"""Takes lines of words in pairs apart: `FEATURE 12 ACTUAL 24.9987 TEMP 22.4`.

Well-formed lines go through `_quick`; whatever does not fit there is gone through again word by word by `_carefully`,
which either understands it after all (small letters, a shop's own words) or says where the fault is.
"""

import re
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from feedback.reading.layout import Pairs
from feedback.reading.misread import MisreadError
from feedback.reading.vocabulary import KNOWN, NEEDED

Taken = tuple[str, Mapping[str, str]]  # kind of record, value of each word

# The first words of a line that say what it is.
_KINDS: Final = {
    ("OFFSET", "TOOL"): "OFFSET TOOL",
    ("OFFSET", "WORK"): "OFFSET WORK",
    ("MISS", "FEATURE"): "MISS",
    ("SETTER", "TOOL"): "SETTER",
    ("CALIBRATION", "PROBE"): "CALIBRATION",
}
_ALONE: Final = frozenset({"PART", "FEATURE", "END", "NEWTOOL", "ARTEFACT", "REPEAT"})
_FIRST_WORDS: Final = sorted(_ALONE | {first for first, _ in _KINDS})

_COMMENT: Final = re.compile(r"\([^()]*\)")
# A comma straight before a digit separates words only straight after a letter ("ACTUAL,24.9"); else it may be decimal.
_DECIMAL_COMMA: Final = re.compile(r"(?<![A-Za-z]),(?=\.?[0-9])|(?<=[0-9]),(?=[0-9])")
_CALIBRATION_WORD: Final = re.compile(r"[A-Z][A-Z0-9_]*")
_NO_NUMBERS: Final = frozenset({"NAN", "INF", "INFINITY"})
_SYSTEM_NUMBER: Final = re.compile(r"[Pp][0-9]+")
_BEGINS_PART: Final = re.compile(r"\s*PART\b|.*\bPLAN\b", re.IGNORECASE)


class _Token(NamedTuple):
    """One word of a line and the column (from 1) where it begins."""

    column: int
    text: str

    @property
    def word(self) -> str:
        return self.text.upper()


class PairsGrammar:
    """The grammar of one `pairs` layout."""

    def __init__(self, layout: Pairs) -> None:
        self._own_words = layout.words

    def take(self, text: str) -> Taken | None:
        """The kind of record and the values of its words, or None where the line holds nothing. Raises MisreadError."""
        if "(" in text or ")" in text or "," in text or "=" in text:
            text = _blanked(text)
        tokens = text.split()
        if not tokens or tokens == ["%"]:
            return None
        if not self._own_words:
            taken = _quick(tokens)
            if taken is not None:
                return taken
        return _carefully(self._tokens(text))

    def column(self, text: str, word: str) -> int:
        """The column of the value of `word` in a line that `take` took, or of the word itself where it has none."""
        tokens = _system_apart(self._tokens(_blanked(text)))
        at = next((at for at, token in enumerate(tokens) if token.word == word), 0)
        return tokens[min(at + 1, len(tokens) - 1)].column

    def may_begin_part(self, text: str) -> bool:
        """Whether an unreadable line may have been the beginning of a part."""
        own = {token for token, meant in self._own_words.items() if meant in ("PART", "PLAN")}
        return bool(_BEGINS_PART.match(text)) or not own.isdisjoint(text.upper().split())

    def _tokens(self, text: str) -> list[_Token]:
        found = [_Token(token.start() + 1, token[0]) for token in re.finditer(r"\S+", text)]
        own = self._own_words
        return [token._replace(text=own.get(token.word, token.text)) for token in found] if own else found


def _quick(tokens: list[str]) -> Taken | None:
    """A well-formed line in capitals; None for anything else."""
    kind = tokens[0]
    if kind not in _ALONE:
        found = _KINDS.get((kind, tokens[1])) if len(tokens) > 1 else None
        if found is None or found == "CALIBRATION":
            return None
        kind = found
        del tokens[0]
        if kind == "OFFSET WORK" and len(tokens) > 2 and _SYSTEM_NUMBER.fullmatch(tokens[2]) and len(tokens) % 2:
            tokens[2:3] = "P", tokens[2][1:]
    values = dict(zip(tokens[::2], tokens[1::2], strict=False))
    known = KNOWN[kind]
    if 2 * len(values) != len(tokens) or not values.keys() <= known or not known.isdisjoint(values.values()):
        return None
    for word in NEEDED[kind]:
        if word not in values:
            return None
    return kind, values


def _carefully(tokens: Sequence[_Token]) -> Taken:
    kind, rest = _kind(tokens)
    if kind == "CALIBRATION":
        return kind, _calibration(rest)
    rest = _system_apart(rest)
    known = KNOWN[kind]
    values: dict[str, str] = {}
    for at in range(0, len(rest), 2):
        token = rest[at]
        if token.word not in known:
            wanted = ", ".join(sorted(known - values.keys()))
            raise MisreadError(f"found {token.text!r} in {_a(kind)} line; wanted one of {wanted}", token.column)
        if token.word in values:
            raise MisreadError(f"found {token.word} twice; wanted it once", token.column)
        if at + 1 == len(rest) or rest[at + 1].word in known:
            raise MisreadError(f"{token.word} has no value; wanted one after it", token.column)
        values[token.word] = rest[at + 1].text
    for word in NEEDED[kind]:
        if word not in values:
            raise MisreadError(f"{_a(kind)} line without {word}; wanted {word} and its value", tokens[-1].column)
    return kind, values


def _kind(tokens: Sequence[_Token]) -> tuple[str, Sequence[_Token]]:
    """The kind of record, and the tokens that stand in pairs."""
    first = tokens[0]
    if first.word in _ALONE:
        return first.word, tokens
    seconds = [second for head, second in _KINDS if head == first.word]
    if not seconds:
        raise MisreadError(
            f"found {first.text!r}; wanted a line that begins with {', '.join(_FIRST_WORDS)}", first.column
        )
    if len(tokens) == 1 or tokens[1].word not in seconds:
        found = f"{tokens[1].text!r}" if len(tokens) > 1 else "nothing"
        raise MisreadError(f"found {found} after {first.word}; wanted {' or '.join(seconds)}", tokens[:2][-1].column)
    return _KINDS[first.word, tokens[1].word], tokens[1:]


def _system_apart(tokens: Sequence[_Token]) -> Sequence[_Token]:
    """`WORK 54.1 P3 X ...` with the P3 as a word and its value."""
    for at, token in enumerate(tokens[:-2]):
        number = tokens[at + 2]
        if token.word == "WORK" and _SYSTEM_NUMBER.fullmatch(number.text):
            apart = _Token(number.column, "P"), _Token(number.column + 1, number.text[1:])
            return [*tokens[: at + 2], *apart, *tokens[at + 3 :]]
    return tokens


def _calibration(tokens: Sequence[_Token]) -> Mapping[str, str]:
    """Values by the calibration's own words; a word without a value has the empty text."""
    values: dict[str, str] = {}
    columns: dict[str, int] = {}
    word = ""
    for token in tokens:
        if _CALIBRATION_WORD.fullmatch(token.word) and token.word not in _NO_NUMBERS and not _wants_name(word, values):
            word = token.word
            if word in values:
                raise MisreadError(f"found {word} twice; wanted it once", token.column)
            values[word], columns[word] = "", token.column
        elif values.get(word) == "":
            values[word] = token.text
        else:
            raise MisreadError(f"found {token.text!r} after the value of {word}; wanted a word", token.column)
    for word in KNOWN["CALIBRATION"]:
        if values.get(word) == "":
            raise MisreadError(f"{word} has no value; wanted one after it", columns[word])
    return values


def _wants_name(word: str, values: Mapping[str, str]) -> bool:
    """Whether the next token is a unit's or an artefact's name, which looks like a word."""
    return word in ("UNIT", "ARTEFACT") and values[word] == ""


def _blanked(text: str) -> str:
    """`text` with comments and separators as blanks, every other character in its place."""
    text = _COMMENT.sub(lambda comment: " " * len(comment[0]), text)
    bracket = re.search(r"[()]", text)
    if bracket is not None:
        raise MisreadError(f"found {bracket[0]!r} without its partner; wanted a comment in ( )", bracket.start() + 1)
    comma = _DECIMAL_COMMA.search(text)
    if comma is not None:
        raise MisreadError(f"found {_around(text, comma.start())!r}; decimals use a point", comma.start() + 1)
    return text.replace(",", " ").replace("=", " ")


def _around(text: str, at: int) -> str:
    """The run of characters without a blank around `at`."""
    return next(run[0] for run in re.finditer(r"\S+", text) if run.end() > at)


def _a(kind: str) -> str:
    return f"an {kind}" if kind[0] in "AEIO" else f"a {kind}"
