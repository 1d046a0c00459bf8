"""`trueup process`: take all new log text once."""

from pathlib import Path

import click

from feedback.commands.answering import answer, json_option
from feedback.commands.progress import bytes_bar


@click.command("process")
@json_option
@click.pass_obj
def command(folder: Path, as_json: bool) -> None:
    """Take all new log text once, decide, propose, and say what should be looked at.

    Exit code 3 when a person should look (a proposal, a hold or a stop).
    """
    from feedback.cell import open_cell

    with open_cell(folder) as cell, bytes_bar("reading logs") as progress:
        document = cell.process(progress=progress)
    answer(document, as_json)
