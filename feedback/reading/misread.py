"""Why a line could not be understood."""


class MisreadError(Exception):
    """One fault of one line: `column` counts from 1; the reason says what was found and what was wanted.

    `word` names the word whose value is at fault where the column is not known yet: the grammar that took the line
    apart then finds it (most lines are good, so nobody keeps columns for them).
    """

    def __init__(self, reason: str, column: int = 1, word: str | None = None) -> None:
        super().__init__(reason)
        self.reason = reason
        self.column = column
        self.word = word
