"""What is wrong with a dialect whose shape is right: fields, codes, comment marks, and lines that are missing."""

from collections.abc import Iterable, Iterator

from feedback.configuration.locate import Place
from feedback.configuration.suggest import did_you_mean, listed
from feedback.snippets import fields, words
from feedback.snippets.dialect import Dialect, Family
from feedback.snippets.inert import NEEDED


def content_faults(dialect: Dialect) -> Iterator[tuple[Place, str]]:
    """Every fault with the place of its key; none for a dialect that can be used."""
    yield from _character_faults(dialect)
    for place, template in _executed_templates(dialect):
        yield from ((place, words) for words in _template_faults(dialect, place, template))
    for kind, templates in dialect.notes.items():
        for index, template in enumerate(templates):
            allowed = {*dialect.fields, *fields.TEXT_FIELDS}
            yield from ((("notes", kind, index), words) for words in _field_faults(template, allowed))
    for kind in dialect.write:
        yield from _program_faults(dialect, kind)


def _executed_templates(dialect: Dialect) -> Iterator[tuple[Place, str]]:
    for part in ("begin", "before", "after", "end"):
        yield from (((part, index), line) for index, line in enumerate(getattr(dialect, part)))
    for table in ("guard", "write"):
        for kind, templates in getattr(dialect, table).items():
            yield from (((table, kind, index), line) for index, line in enumerate(templates))


def _character_faults(dialect: Dialect) -> Iterator[tuple[Place, str]]:
    missing = [letter for letter in NEEDED if letter not in dialect.characters]
    if missing:
        yield ("characters",), f"{''.join(missing)!r} missing; our own comments are written with them"
    bad = sorted(
        {letter for letter in dialect.characters if not " " <= letter <= "~" or letter in "()[]{};%#$<>\"'`\\"}
    )
    if bad:
        yield ("characters",), f"found {''.join(bad)!r}, which could end a comment or start a block; leave them out"
    if set(dialect.comment.close) & set(dialect.characters):
        yield ("comment", "close"), "found a character that comments may contain; take it out of `characters`"
    if dialect.comment.open[0].isalnum():
        yield ("comment", "open"), f"found {dialect.comment.open!r}; wanted a mark that no executed line begins with"


def _template_faults(dialect: Dialect, place: Place, template: str) -> Iterator[str]:
    found = list(_field_faults(template, dialect.fields.keys() - _foreign(place)))
    yield from found
    if found:
        return
    for unit_code in dict.fromkeys((dialect.units.mm, dialect.units.inch)) if "$unit_code" in template else ("",):
        yield from _sample_faults(dialect, fields.filled(template, {**fields.SAMPLE, "unit_code": unit_code}))


def _sample_faults(dialect: Dialect, sample: str) -> Iterator[str]:
    if len(sample) > dialect.longest_line:
        yield f"{len(sample)} characters once filled in; wanted at most {dialect.longest_line}"
    if not dialect.for_hand_entry:
        yield from (f"{fault}; found in {sample!r}" for fault in words.faults(sample))


def _foreign(place: Place) -> frozenset[str]:
    """The fields without a value at `place`: a tool has no axis, and lines shared by all registers have neither."""
    if place[0] not in ("guard", "write"):
        return fields.TOOL_FIELDS | fields.WORK_FIELDS
    return fields.WORK_FIELDS if str(place[1]).startswith("tool") else fields.TOOL_FIELDS


def _field_faults(template: str, allowed: Iterable[str]) -> Iterator[str]:
    try:
        used = fields.names(template)
        fields.filled(template, dict.fromkeys(used, ""))
    except ValueError:
        yield f"found a '$' without a field name in {template!r}; wanted $name, or $$ for a dollar sign"
        return
    for name in used:
        if name in fields.TEXT_FIELDS and name not in allowed:
            yield f"${name} holds text and may stand in notes only: a control would execute it here"
        elif name not in allowed:
            yield f"unknown field ${name}; wanted {listed(sorted(allowed), most=30)}{did_you_mean(name, allowed)}"


def _program_faults(dialect: Dialect, kind: Family) -> Iterator[tuple[Place, str]]:
    """Faults of all executed lines of one family taken together."""
    if not any("new" in fields.names(line) for line in dialect.write[kind]):
        yield ("write", kind), "no line uses $new; wanted the absolute new value, so that running it twice does no harm"
    yield from ((("guard", kind), words) for words in words.block_faults(dialect.executed(kind)))
    if dialect.for_hand_entry:
        return
    stated = (*dialect.begin, *dialect.before, *dialect.write[kind])
    if not any("G90" in line.split() for line in stated):
        yield (
            ("before",),
            "no line states G90; wanted absolute mode written out, since G91 may turn a value into an increment",
        )
    if kind != "rotary" and not any("unit_code" in fields.names(line) for line in stated):
        yield ("before",), "no line uses $unit_code; wanted the unit written out, since the control may be in the other"
