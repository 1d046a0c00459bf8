"""What a snippet says to the person who reads it, all of it inert."""

from collections.abc import Iterator
from typing import Final

from feedback.snippets.correction import Correction
from feedback.snippets.dialect import Dialect, family
from feedback.snippets.entry import Entry
from feedback.snippets.fields import filled
from feedback.snippets.inert import comment_lines, inert

TITLE: Final = "CORRECTION PROPOSED BY TRUEUP - A PERSON READS IT BEFORE IT IS USED"

CAUTIONS: Final = (
    "CHECK THE OFFSET PAGE BEFORE AND AFTER",
    "SPINDLE STOPPED AND AXES CLEAR",
    "PROVE OUT IN SINGLE BLOCK WITH REDUCED RAPID",
    "MEASURE THE FIRST PART BEFORE THE RUN GOES ON",
    "RULES OF THE SHOP AND MANUAL OF THE MACHINE BUILDER COME FIRST",
)

_UNITS: Final = {"mm": "MILLIMETRES", "inch": "INCHES", "deg": "DEGREES"}
_VALUES: Final = {None: "", True: "DIAMETER VALUES IN ", False: "RADIUS VALUES IN "}


def comments(correction: Correction, entry: Entry, dialect: Dialect) -> list[str]:
    """The comment lines of a snippet, in the dialect's own comment marks."""
    said = (
        TITLE,
        *_facts(correction, entry, dialect),
        *_warnings(correction, entry),
        *_cautions(correction, dialect),
        *_notes(correction, entry, dialect),
    )
    return [line for words in said for line in _lines(words, dialect)]


def _lines(said: str, dialect: Dialect) -> list[str]:
    marks = dialect.comment
    return comment_lines(said, opening=marks.open, closing=marks.close, longest=dialect.longest_line)


def _facts(correction: Correction, entry: Entry, dialect: Dialect) -> Iterator[str]:
    texts = texts_of(correction, dialect)
    yield f"PROPOSAL = {texts['id']}"
    yield f"CELL = {texts['cell']}"
    yield f"MACHINE = {texts['machine']}"
    yield f"REGISTER = {inert(correction.register.owner, dialect.characters)} {correction.register.axis.upper()}"
    yield f"VALUES ARE = {_VALUES[entry.as_diameter]}{_UNITS[entry.unit]}"
    yield f"NOW = {entry.fields['now']}"
    yield f"NEW = {entry.fields['new']}"
    yield f"CHANGE = {entry.fields['change']}"
    yield f"CAUSE = {texts['cause']}"
    yield f"FEATURES = {texts['features']}"
    yield f"PARTS = {texts['parts']}"
    yield f"EXPIRES = {texts['expires']}"


def _warnings(correction: Correction, entry: Entry) -> Iterator[str]:
    if correction.was_cut:
        yield "CUT SHORT BY THE LIMIT - THE READINGS ASK FOR MORE"
    if entry.page_factor == 2:
        yield "THE OFFSET PAGE SHOWS DIAMETER - TWICE THESE VALUES"
    elif entry.page_factor != 1:
        yield "THE OFFSET PAGE SHOWS RADIUS - HALF OF THESE VALUES"
    yield from (f"CAUTION - {words}" for words in CAUTIONS)


def _cautions(correction: Correction, dialect: Dialect) -> Iterator[str]:
    """What is to be known of the measurements behind it."""
    return (f"CAUTION - {inert(words, dialect.characters)}" for words in correction.cautions)


def _notes(correction: Correction, entry: Entry, dialect: Dialect) -> Iterator[str]:
    values = {**entry.fields, **texts_of(correction, dialect)}
    for note in (*dialect.notes.get("all", ()), *dialect.notes.get(family(correction.register), ())):
        if said := inert(filled(note, values), dialect.characters):
            yield said


def texts_of(correction: Correction, dialect: Dialect) -> dict[str, str]:
    """The correction's texts by field name, inert; an empty one says so."""
    texts = {
        "id": correction.id,
        "cell": correction.cell,
        "machine": correction.machine,
        "cause": correction.cause,
        "features": ", ".join(correction.features),
        "parts": ", ".join(correction.parts),
        "expires": correction.expires,
    }
    return {name: inert(text, dialect.characters) or "NOT STATED" for name, text in texts.items()}
