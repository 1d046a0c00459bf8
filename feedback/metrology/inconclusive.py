"""What a study answers when its values cannot carry an answer."""

from feedback.errors import TrueupError


class InconclusiveError(TrueupError):
    """These values cannot answer the question; the message says what was found, what was wanted and what to do."""


def at_least(found: int, wanted: int, what: str, todo: str) -> None:
    """Nothing, when there are enough of `what`; else InconclusiveError."""
    if found < wanted:
        raise InconclusiveError(f"found {found} {what}; wanted at least {wanted}; {todo}")
