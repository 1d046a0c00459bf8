"""Makes any text harmless inside a comment of a snippet.

Two readers must be unable to run it: the control, for which a parenthesis or line end closes a comment and a word
such as MSG at its beginning makes it act; and a sloppy one that takes words out of comments, for which no letter may
stand before a number, not even across blanks, signs or dots.
"""

import re
import textwrap
import unicodedata
from typing import Final

NEEDED: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 =.,-+_"
"""Characters every dialect must accept, because our own comment lines are made of them."""

ACTIVE_WORDS: Final = ("MSG", "PRINT", "DEBUG", "LOG", "ABORT", "PROBE", "PY", "AXIS")
"""Beginnings that turn a comment into a command on some RS274/NGC interpreters."""

CONTINUED: Final = "... "  # no active word begins with it

_LETTER_BEFORE_DIGIT = re.compile(r"([A-Za-z])([^A-Za-z0-9=_]*)(?=[0-9])")


def inert(text: str, characters: str) -> str:
    """`text` in ASCII on one line, with nothing but `characters`, and no letter before a digit: "M1" becomes "M_1".

    What cannot be written becomes "_". An equals sign does too: some controls read X=1 as a word.
    """
    spelled = text if "a" in characters else text.upper()
    letters = (letter for letter in unicodedata.normalize("NFKD", spelled) if not unicodedata.combining(letter))
    kept = "".join(_kept(letter, characters) for letter in letters)
    return parted(" ".join(kept.split()))


def _kept(letter: str, characters: str) -> str:
    if letter.isspace():
        return " "
    return letter if letter in characters and letter != "=" else "_"


def parted(line: str) -> str:
    """`line` with an underscore or an equals sign between every letter and a number after it."""
    return _LETTER_BEFORE_DIGIT.sub(lambda match: f"{match[1]}_{match[2].lstrip()}", line)


def reads_as_word(line: str) -> bool:
    """Whether a sloppy reader would find a letter followed by a number in `line`."""
    return _LETTER_BEFORE_DIGIT.search(line) is not None


def acts(line: str) -> bool:
    """Whether a comment with this text would be taken as a command."""
    return line.replace(" ", "").upper().startswith(ACTIVE_WORDS)


def comment_lines(text: str, *, opening: str, closing: str, longest: int) -> list[str]:
    """`text`, already inert, as comment lines of at most `longest` characters."""
    width = longest - len(opening) - len(closing)
    text = f"{CONTINUED}{text}" if acts(text) else text
    wrapped = textwrap.wrap(text, width, subsequent_indent=CONTINUED, break_on_hyphens=False)
    return [f"{opening}{line}{closing}" for line in wrapped]
