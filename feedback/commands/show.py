"""`trueup show`: one proposal, with everything a reviewer needs."""

from pathlib import Path

import click

from feedback.commands.answering import json_option, print_json
from feedback.commands.proposal_words import lines


@click.command("show")
@click.argument("id")
@click.option(
    "--picture",
    "picture_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write the trend to this SVG file.",
)
@click.option("--no-plot", is_flag=True, help="Leave out the trend in plain characters.")
@json_option
@click.pass_obj
def command(folder: Path, id: str, picture_path: Path | None, no_plot: bool, as_json: bool) -> None:
    """Show proposal ID: the change, why, what it does to every feature, what it rests on, and its digest."""
    from feedback.cell import open_cell

    with open_cell(folder) as cell:
        proposal = cell.proposal(id)
        if picture_path is not None:
            picture_path.write_text(cell.picture(id), encoding="utf-8")
        if as_json:
            print_json({"schema": "trueup/1", **cell.shown(id)})
            return
        for line in lines(cell, proposal):
            click.echo(line)
        if not no_plot:
            for line in cell.plot(id):
                click.echo(f"    {line}")
        if picture_path is not None:
            click.echo(f"picture: {picture_path}")
