"""`trueup check`: is the cell folder complete, and what can each feature tell?"""

from pathlib import Path

import click

from feedback.commands.answering import json_option, print_json


@click.command("check")
@json_option
@click.pass_obj
def command(folder: Path, as_json: bool) -> None:
    """Read all configuration and say what each feature can tell, what cannot be told apart, and the limits in force.

    All faults of all files are listed at once (exit code 2). Exit code 3 when there are cautions.
    """
    from feedback.configuration.check import report
    from feedback.configuration.loading import load

    checked = report(load(folder))
    if as_json:
        print_json(checked.as_json())
    else:
        for line in checked.lines():
            click.echo(line)
    click.get_current_context().exit(3 if checked.has_warnings else 0)
