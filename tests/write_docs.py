"""Writes the README's generated tables between their markers: `python -m tests.write_docs`."""

import importlib
import re
from functools import partial
from pathlib import Path

README = Path(__file__).parents[1] / "README.md"


def commands() -> str:
    """Every command with the first sentence of its help."""
    from feedback.commands import COMMANDS

    rows = ["| command | what it does |", "| --- | --- |"]
    for name in COMMANDS:
        command = importlib.import_module(f"feedback.commands.{name}").command
        arguments = " ".join(p.make_metavar(None) for p in command.params if p.param_type_name == "argument")
        first = (command.help or "").split("\n\n")[0]
        rows.append(f"| `{' '.join((name, arguments)).strip()}` | {' '.join(first.split())} |")
    return "\n".join(rows)


def rules() -> str:
    """Every rule in the order in which it is asked, with its reason."""
    from rules.catalogue import table

    rows = ["   | rule | why it exists |", "   | --- | --- |"]
    rows += [f"   | `{name}` | {why} |" for name, why in table()]
    return "\n".join(rows)


BLOCKS = {"commands": commands, "rules": rules}


def _between(block: str, markers: re.Match[str]) -> str:
    return f"{markers[1]}{block}\n{markers[2]}"


def filled(text: str) -> str:
    """`text` with every generated block made anew."""
    for name, make in BLOCKS.items():
        pattern = re.compile(rf"(<!-- {name} -->\n).*?(<!-- /{name} -->)", re.DOTALL)
        text, count = pattern.subn(partial(_between, make()), text)
        if count != 1:
            raise SystemExit(f"{README}: wanted one block {name!r} between its markers, found {count}")
    return text


if __name__ == "__main__":
    README.write_text(filled(README.read_text(encoding="utf-8")), encoding="utf-8")
