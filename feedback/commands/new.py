"""`trueup new`: start a cell folder."""

from pathlib import Path

import click


@click.command("new")
@click.option("--name", required=True, help='Name of the cell, such as "Cell 3".')
@click.option("--machine", default="M1", show_default=True, help="Name of its first machine.")
@click.option(
    "--unit", type=click.Choice(["mm", "inch"]), default="mm", show_default=True, help="Unit of its logs and registers."
)
@click.option("--time-zone", default="UTC", show_default=True, help="Time zone of the controls' clocks.")
@click.pass_obj
def command(folder: Path, name: str, machine: str, unit: str, time_zone: str) -> None:
    """Write a cell folder to start from, with the reason beside every number. Never overwrites a file."""
    from feedback.configuration.loading import load
    from feedback.configuration.new import starter
    from feedback.errors import UsageError

    texts = starter(name, machine, "inch" if unit == "inch" else "mm", time_zone)
    there = [path for path in texts if (folder / path).exists()]
    if there:
        raise UsageError(f"{folder}: found {', '.join(there)}; wanted a folder without them; nothing was written")
    for path, text in texts.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_text(text, encoding="utf-8", newline="\n")
    load(folder)
    click.echo(f"{folder}: a cell folder with {', '.join(texts)}.")
    click.echo("Next: put the machine's facts into cell.toml and the drawing's into parts/, then run `trueup check`.")
