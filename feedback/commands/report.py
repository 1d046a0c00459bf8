"""`trueup report`: documents to print and hand over."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from feedback.commands.answering import print_json

if TYPE_CHECKING:
    from feedback.cell import Cell

FOLDER = "reports"

machine_option = click.option("--machine", help="Only this machine; else a document for every one.")
out_option = click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="The folder to write into; else reports/ in the cell folder.",
)
json_flag = click.option("--json", "as_json", is_flag=True, help="Print what the document says as JSON; write none.")


@click.group("report")
def command() -> None:
    """Write a document (HTML that prints well) about a machine."""


@command.command("commissioning")
@machine_option
@out_option
@json_flag
@click.pass_obj
def commissioning(folder: Path, machine: str | None, out: Path | None, as_json: bool) -> None:
    """What was checked before the machine was handed over: calibration, checks, studies, verdicts, cautions."""
    from feedback.reports.commissioning import document, told

    _write(folder, "commissioning", machine, out, as_json, told, document)


@command.command("capability")
@machine_option
@out_option
@json_flag
@click.pass_obj
def capability(folder: Path, machine: str | None, out: Path | None, as_json: bool) -> None:
    """How capable the process is, on stable stretches only, with confidence intervals."""
    from feedback.reports.capability import document, told

    _write(folder, "capability", machine, out, as_json, told, document)


def _write(
    folder: Path,
    kind: str,
    machine: str | None,
    out: Path | None,
    as_json: bool,
    told: Callable[["Cell", str, datetime], dict[str, object]],
    document: Callable[[dict[str, object]], str],
) -> None:
    from feedback.cell import open_cell

    now = datetime.now(UTC)
    with open_cell(folder) as cell:
        names = list(cell.configuration.machines) if machine is None else [cell.machine(machine).name]
        found = {name: told(cell, name, now) for name in names}
    if as_json:
        print_json({"schema": "trueup/1", "reports": list(found.values())})
        return
    into = out or folder / FOLDER
    into.mkdir(parents=True, exist_ok=True)
    for name, values in found.items():
        path = into / f"{kind}-{name}.html"
        path.write_text(document(values), encoding="utf-8")
        click.echo(f"{name}: {path}")
