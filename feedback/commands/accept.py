"""`trueup accept`: a person agrees with a proposal."""

from pathlib import Path

import click

from feedback.commands.answering import json_option, print_json


@click.command("accept")
@click.argument("id")
@click.option("--by", required=True, metavar="PERSON", help="Who accepts, as named in cell.toml.")
@click.option("--note", default="", help="Anything worth keeping with the acceptance.")
@click.option("--digest", help="Digest of the proposal looked at (trueup show); another one is refused.")
@json_option
@click.pass_obj
def command(folder: Path, id: str, by: str, note: str, digest: str | None, as_json: bool) -> None:
    """Accept proposal ID. Nothing is sent to a machine: load or key in the snippet, then prove it out.

    trueup waits until the log shows the new value; until then the register is left alone.
    """
    from feedback.cell import open_cell

    with open_cell(folder) as cell:
        document = cell.accept(id, by=by, note=note, digest=digest)
        path = cell.snippet_path(id)
    if as_json:
        print_json(document)
    else:
        click.echo(f"{id} is accepted by {by}. Nothing has been changed on the machine.")
        click.echo(f"Snippet: {path}")
        click.echo("Check the offset page before and after, spindle stopped; measure the first part before going on.")
