"""Writes chosen limits into a limits.toml, comments kept and the reason beside each number. Pure."""

from collections.abc import Sequence
from typing import Any

from feedback.replay.tuning import Tuned, reasons, written

HEAD = (
    "Proposed by `trueup tune` on this cell's own past; nothing has been adopted.",
    "For a person who may change limits: read the reasons, try it with `trueup replay --limits`, then put it in place.",
)


def proposed(text: str, some: Sequence[Tuned]) -> str:
    """`text` (a limits.toml, may be empty) with what was chosen; the same text where nothing was."""
    import tomlkit

    chosen = [tuned for tuned in some if tuned.chosen is not None]
    if not chosen:
        return text
    document: Any = tomlkit.parse(text)
    for tuned in chosen:
        _write(_table(document, tuned), tuned)
    head = "".join(f"# {line}\n" for line in HEAD)
    told = "".join(f"# {tuned.scope.name}: {tuned.words}\n" for tuned in chosen)
    return f"{head}{told}\n{tomlkit.dumps(document)}"


def _table(document: Any, tuned: Tuned) -> Any:
    """The table of the scope, made at the end of the document where there is none."""
    import tomlkit

    section = "register" if tuned.scope.is_register else "kind"
    if section not in document:
        document.add(section, tomlkit.table(is_super_table=True))
    if tuned.scope.name not in document[section]:
        document[section].add(tuned.scope.name, tomlkit.table())
    return document[section][tuned.scope.name]


def _write(table: Any, tuned: Tuned) -> None:
    assert tuned.chosen is not None
    unit = "deg" if tuned.scope.name.split()[-1] in (*"ABC", "rotary") else "mm"
    for key, why in reasons(tuned):
        table[key] = written(key, tuned.chosen.limits, unit)
        table[key].comment(why)
