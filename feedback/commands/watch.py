"""`trueup watch`: the daemon."""

import logging
import sys
from pathlib import Path
from typing import Any

import click

from feedback import answers
from feedback.commands.answering import json_option, lines


@click.command("watch")
@click.option(
    "--rescan",
    "rescan_s",
    type=click.FloatRange(0.2, 3600),
    default=5.0,
    show_default=True,
    help="Seconds between full looks at the log folders.",
)
@json_option
@click.pass_obj
def command(folder: Path, rescan_s: float, as_json: bool) -> None:
    """Take log text as it is written, until stopped (Ctrl-C or SIGTERM; the look under way is finished first).

    With --json one answer document a line on stdout for every look that brought something.
    """
    from feedback.cell import open_cell
    from feedback.daemon import stopping_on_signals, watch

    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    with stopping_on_signals() as stop, open_cell(folder) as cell:
        cell.start_reading()
        logging.getLogger("trueup").info("watching %s", ", ".join(cell.configuration.machines))
        watch(cell, stop, rescan_s=rescan_s, after_look=_print_json if as_json else _print)
    logging.getLogger("trueup").info("stopped")


def _print(document: dict[str, Any]) -> None:
    for line in lines(document):
        click.echo(line)


def _print_json(document: dict[str, Any]) -> None:
    import json

    click.echo(json.dumps({**document, "look": answers.needs_a_look(document)}, ensure_ascii=False))
