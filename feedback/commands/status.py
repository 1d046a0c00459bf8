"""`trueup status`: one answer per machine, at once."""

from pathlib import Path

import click

from feedback.commands.answering import answer, json_option


@click.command("status")
@json_option
@click.pass_obj
def command(folder: Path, as_json: bool) -> None:
    """Say for every machine whether to leave it alone, or which correction to look at. Reads no log text.

    Exit code 3 when a person should look (a proposal, a hold or a stop).
    """
    from feedback.status import document

    answer(document(folder), as_json)
