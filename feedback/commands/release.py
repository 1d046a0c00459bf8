"""`trueup release`: a person lets a locked register be corrected again."""

from pathlib import Path

import click

from feedback.commands.answering import json_option, print_json

_WORDS = {
    "lock": "its lock is taken off",
    "growth": "one correction in the growing direction may be proposed",
}


@click.command("release")
@click.argument("register")
@click.option("--by", required=True, metavar="PERSON", help="Who releases, as named in cell.toml.")
@click.option("--why", required=True, help="The reason, for those who read the history.")
@json_option
@click.pass_obj
def command(folder: Path, register: str, by: str, why: str, as_json: bool) -> None:
    """Release REGISTER, such as "M1 tool 5 radius": from its lock, or for one correction in the growing direction."""
    from feedback.cell import open_cell

    with open_cell(folder) as cell:
        what = cell.release(register, by=by, why=why)
    if as_json:
        print_json({"schema": "trueup/1", "register": register, "released": what, "by": by})
    else:
        click.echo(f"{register} is released by {by}: {_WORDS[what]} with the next part.")
