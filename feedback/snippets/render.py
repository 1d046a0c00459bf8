"""Turns a correction into text. Pure: the same correction, dialect and machine always give the same snippet."""

from feedback.configuration.facts import Machine
from feedback.snippets.check import check_snippet
from feedback.snippets.comments import comments
from feedback.snippets.correction import Correction
from feedback.snippets.dialect import Dialect, family
from feedback.snippets.entry import entry as entry_of
from feedback.snippets.fields import filled


def render(correction: Correction, dialect: Dialect, machine: Machine) -> str:
    """The snippet: ASCII lines ending in LF. Lengths in the machine's unit, tool radius as the register takes it.

    Raises SnippetError when the dialect cannot express the correction, when a value does not lie on the machine's
    least increment, or when the finished text fails the last check. Nothing half-right is ever returned.
    """
    entry = entry_of(correction, dialect, machine)
    kind = family(correction.register)
    before = (*dialect.guard.get(kind, ()), *dialect.before)
    after = (*dialect.after, *dialect.end)
    lines = [
        *(filled(line, entry.fields) for line in dialect.begin),
        *comments(correction, entry, dialect),
        *(filled(line, entry.fields).rstrip() for line in (*before, *dialect.write[kind], *after)),
    ]
    text = "\n".join(lines) + "\n"
    check_snippet(text, dialect)
    return text
