"""`trueup snippet`: the text of one proposal's snippet."""

from pathlib import Path

import click

from feedback.commands.answering import json_option, print_json


@click.command("snippet")
@click.argument("id")
@json_option
@click.pass_obj
def command(folder: Path, id: str, as_json: bool) -> None:
    """Print the snippet of proposal ID, whatever has become of it; its comments say what it is for.

    Only an open or accepted proposal describes the machine: for any other a warning goes to stderr, exit code 3.
    """
    from feedback.cell import open_cell

    with open_cell(folder) as cell:
        proposal = cell.proposal(id)
        text = cell.snippet(id)
    is_live = proposal.status in ("open", "accepted")
    if not is_live:
        click.echo(f"trueup: proposal {id} is {proposal.status}: do not load this", err=True)
    if as_json:
        print_json({"schema": "trueup/1", "id": id, "status": proposal.status, "snippet": text})
    else:
        click.echo(text, nl=False)
    click.get_current_context().exit(0 if is_live else 3)
