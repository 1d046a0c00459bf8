"""Offers the nearest known word for one that is not known."""

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Final

MOST_SHOWN: Final = 80


def did_you_mean(found: object, known: Iterable[str]) -> str:
    """'; did you mean "tool"?' or nothing, ready to follow what was wanted."""
    by_lower = {word.lower(): word for word in sorted(known)}
    near = get_close_matches(str(found).lower(), by_lower, n=1, cutoff=0.6)
    return f'; did you mean "{by_lower[near[0]]}"?' if near else ""


def shown(found: object) -> str:
    """`found` as it is repeated in a message: never longer than a line."""
    try:
        text = repr(found)
    except ValueError:  # a whole number of thousands of digits
        return "a number beyond all reason"
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}..."


def listed(words: Iterable[str], most: int = 12) -> str:
    """The words in order, separated by commas, cut short when there are very many."""
    ordered = list(words)
    rest = f" and {len(ordered) - most} more" if len(ordered) > most else ""
    return ", ".join(ordered[:most]) + rest
