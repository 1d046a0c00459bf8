"""`trueup read`: how each line of a log is understood. Stores nothing."""

from collections import Counter
from pathlib import Path

import click

from feedback.commands.answering import LOOK, json_option, print_json


@click.command("read")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--machine", help="Whose facts apply (unit, layout); needed when there are several.")
@click.option("--layout", help="Read with this layout instead of the machine's.")
@json_option
@click.pass_obj
def command(folder: Path, files: tuple[Path, ...], machine: str | None, layout: str | None, as_json: bool) -> None:
    """Show how each line of FILES is understood, and why a line is not. Stores nothing, decides nothing.

    Exit code 3 when a line cannot be understood.
    """
    from feedback.reading.showing import understood

    lines = [line for path in files for line in understood(folder, path, machine, layout)]
    unreadable = sum(line.is_unreadable for line in lines)
    if as_json:
        print_json({"schema": "trueup/1", "unreadable": unreadable, "lines": [line.to_json() for line in lines]})
    else:
        for line in lines:
            click.echo(str(line))
        counted = Counter(line.kind for line in lines)
        click.echo(", ".join(f"{count} {kind}" for kind, count in sorted(counted.items())) or "nothing in it")
    click.get_current_context().exit(LOOK if unreadable else 0)
