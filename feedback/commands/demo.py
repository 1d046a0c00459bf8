"""`trueup demo`: from a log to a proposal, in a scratch folder."""

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

import click

import feedback
from feedback.commands import answering, proposal_words

SITUATION = "steady-wear"


@click.command("demo")
@click.option("--into", type=click.Path(path_type=Path, file_okay=False), help="Folder to make; else a scratch folder.")
@click.option("--situation", default=SITUATION, show_default=True, help="Which of the sample cells to run.")
def command(into: Path | None, situation: str) -> None:
    """Run a sample cell: read its logs, decide, propose; show the proposal, its reason, its snippet and the trend."""
    from feedback.cell import open_cell

    folder = _copied(situation, into)
    click.echo(f"Cell folder: {folder} (sample {situation!r}; its README.md says what happened)\n")
    with open_cell(folder) as cell:
        document = cell.process()
        for line in answering.lines(document):
            click.echo(line)
        for id in _open_proposals(document):
            proposal = cell.proposal(id)
            click.echo()
            for line in (*proposal_words.lines(cell, proposal), *cell.plot(id)):
                click.echo(line)
            picture = folder / "reports" / f"{id}.svg"
            picture.parent.mkdir(exist_ok=True)
            picture.write_text(cell.picture(id), encoding="utf-8")
            click.echo("The snippet, for a person to read, load and prove out (nothing is sent to a machine):\n")
            click.echo(cell.snippet(id))
            click.echo(f"Picture of the trend: {picture}")
            trueup = f"{sys.argv[0]} --cell {folder}"
            click.echo(f"Next: {trueup} accept {id} --by op1    (or {trueup} reject {id} --by op1 --why ...)")


def _copied(situation: str, into: Path | None) -> Path:
    from feedback.errors import UsageError

    samples = _samples()
    if not (samples / situation / "cell.toml").is_file():
        names = ", ".join(sorted(path.parent.name for path in samples.glob("*/cell.toml")))
        raise UsageError(f"there is no sample {situation!r}; wanted one of: {names}")
    folder = into or Path(tempfile.mkdtemp(prefix="trueup-demo-")) / situation
    if folder.exists() and any(folder.iterdir()):
        raise UsageError(f"{folder}: is not empty; wanted a new folder; nothing was written")
    shutil.copytree(samples / situation, folder, dirs_exist_ok=True)
    return folder


def _samples() -> Path:
    """The sample cells: inside the installed package, or beside it in a checkout."""
    package = Path(feedback.__file__).parent
    installed = package / "samples"
    return installed if installed.is_dir() else package.parent / "sample_logs"


def _open_proposals(document: dict[str, Any]) -> list[str]:
    entries = [entry for machine in document["machines"] for entry in machine["decisions"]]
    return [entry["proposal"]["id"] for entry in entries if entry.get("proposal", {}).get("status") == "open"]
