"""The last look at a snippet before it leaves: nothing in it but the dialect's own lines and inert comments."""

import re
from collections.abc import Iterator

from feedback.snippets import words
from feedback.snippets.correction import SnippetError
from feedback.snippets.dialect import Dialect
from feedback.snippets.fields import shape
from feedback.snippets.inert import acts, reads_as_word


def check_snippet(text: str, dialect: Dialect) -> None:
    """Nothing, or SnippetError naming every line that is not one of the dialect's forms.

    Looked for: foreign lines, characters outside printable ASCII, long lines, open parentheses, comments that act or
    could be read as words, blocks without end, words that move, and (except on paper) a snippet that sets nothing.
    """
    lines = text.removesuffix("\n").split("\n")
    faults = [*_line_faults(lines, dialect), *_program_faults(lines, dialect)]
    if faults:
        raise SnippetError(
            f"snippet in dialect {dialect.name} is not safe to hand out: {'; '.join(faults)}; nothing was written"
        )


def executed_lines(text: str, dialect: Dialect) -> list[str]:
    """The lines of `text` that a control would execute, or on a sheet those a person enters from: all but comments."""
    return [line for line in text.splitlines() if not _is_comment(line, dialect)]


def _is_comment(line: str, dialect: Dialect) -> bool:
    marks = dialect.comment
    inside = line[len(marks.open) : len(line) - len(marks.close)]
    return (
        line.startswith(marks.open)
        and line.endswith(marks.close)
        and set(inside) <= set(dialect.characters)
        and not acts(inside)
    )


def _line_faults(lines: list[str], dialect: Dialect) -> Iterator[str]:
    shapes = _shapes(dialect)
    for number, line in enumerate(lines, 1):
        if len(line) > dialect.longest_line:
            yield f"line {number} has {len(line)} characters, wanted at most {dialect.longest_line}"
        if not re.fullmatch("[ -~]*", line):
            yield f"line {number} has characters outside printable ASCII"
        elif _is_comment(line, dialect):
            if reads_as_word(line):
                yield f"line {number} has a letter before a number in a comment: {line}"
        elif not any(shape.fullmatch(line) for shape in shapes):
            yield f"line {number} is not a line of this dialect: {line}"
        elif not dialect.for_hand_entry:
            yield from (f"line {number}: {fault}" for fault in words.faults(line))


def _program_faults(lines: list[str], dialect: Dialect) -> Iterator[str]:
    executed = executed_lines("\n".join(lines), dialect)
    yield from words.block_faults(executed)
    if not any(shape.fullmatch(line) for line in executed for shape in _write_shapes(dialect)):
        yield "no line sets a register"


def _shapes(dialect: Dialect) -> list[re.Pattern[str]]:
    return [
        shape(line, dialect.fields)
        for line in dict.fromkeys(line for kind in dialect.write for line in dialect.executed(kind))
    ]


def _write_shapes(dialect: Dialect) -> list[re.Pattern[str]]:
    return [
        shape(line, dialect.fields)
        for lines in dialect.write.values()
        for line in lines
        if "$new" in line or "${new}" in line
    ]
