"""`trueup reject`: a person turns a proposal down."""

from pathlib import Path

import click

from feedback.commands.answering import json_option, print_json


@click.command("reject")
@click.argument("id")
@click.option("--by", required=True, metavar="PERSON", help="Who rejects, as named in cell.toml.")
@click.option("--why", required=True, help="The reason, for those who read the history.")
@click.option("--digest", help="Digest of the proposal looked at (trueup show); another one is refused.")
@json_option
@click.pass_obj
def command(folder: Path, id: str, by: str, why: str, digest: str | None, as_json: bool) -> None:
    """Reject proposal ID. The register is not proposed again until the proposal would have run out anyway."""
    from feedback.cell import open_cell

    with open_cell(folder) as cell:
        document = cell.reject(id, by=by, why=why, digest=digest)
    if as_json:
        print_json(document)
    else:
        click.echo(f"{id} is rejected by {by}; its snippet has been removed.")
