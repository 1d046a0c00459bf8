"""`trueup verify`: is the history intact?"""

from pathlib import Path

import click

from feedback.commands.answering import json_option, print_json


@click.command("verify")
@click.option("--deep", is_flag=True, help="Also read all kept log text again and compare every table.")
@click.option("--checkpoint", help='A checkpoint kept elsewhere: "COUNT HASH".')
@json_option
@click.pass_obj
def command(folder: Path, deep: bool, checkpoint: str | None, as_json: bool) -> None:
    """Check the chain of hashes through the whole history, and print the checkpoint to keep elsewhere."""
    from feedback.configuration.loading import load
    from feedback.ledger.store import Store
    from feedback.ledger.verify import Report, checkpoint_of, verify

    configuration = load(folder)
    kept = None if checkpoint is None else checkpoint_of(checkpoint)
    with Store.open(folder, configuration.store, readonly=True) as store:
        report: Report = verify(store, configuration, deep=deep, kept=kept)
    if as_json:
        print_json(report.to_json())
    else:
        for line in report.lines():
            click.echo(line)
    click.get_current_context().exit(0 if report.is_intact else 3)
