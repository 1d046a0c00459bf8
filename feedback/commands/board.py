"""`trueup board`: the page for the panel beside the machine."""

from pathlib import Path

import click


@click.command("board")
@click.option("--port", type=click.IntRange(1, 65535), default=8420, show_default=True, help="Where to listen.")
@click.option(
    "--lan",
    "names",
    multiple=True,
    metavar="NAME",
    help="Also serve the shop's network, where panels call this computer NAME (may be repeated).",
)
@click.option("--closed", is_flag=True, help="Reading needs a person and a PIN too; acting always does.")
@click.option("--watch", "with_reader", is_flag=True, help="Also run `trueup watch` beside it.")
@click.option("--set-pin", "person", metavar="PERSON", help="Ask for a PIN for PERSON of cell.toml, keep it, and end.")
@click.pass_obj
def command(
    folder: Path, port: int, names: tuple[str, ...], closed: bool, with_reader: bool, person: str | None
) -> None:
    """Show the cell on a local page, live: every machine's answer, proposals to accept or reject, trends, history.

    Reads no logs itself: run `trueup watch` beside it (or --watch). Serves this computer alone unless --lan is given.
    """
    if person is not None:
        _set_pin(folder, person)
        return
    import logging
    import sys

    from feedback.board.serving import serve
    from feedback.board.settings import Settings

    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(asctime)s %(levelname)s %(message)s")
    settings = Settings(port=port, names=tuple(name.strip() for name in names), closed=closed)
    address = f"http://{settings.names[0] if settings.names else 'localhost'}:{port}/"
    serve(
        folder,
        settings,
        with_reader=with_reader,
        announce=lambda: click.echo(f"The board is at {address} (Ctrl-C ends it)"),
    )


def _set_pin(folder: Path, person: str) -> None:
    from feedback.board.access import check_pin, set_pin
    from feedback.configuration.loading import load
    from feedback.errors import UsageError

    people = load(folder).people
    if person not in people:
        known = ", ".join(people) or "nobody"
        raise UsageError(f"found person {person!r}; wanted one of cell.toml: {known}; no PIN was set")
    pin = click.prompt(f"PIN for {people[person].name}", hide_input=True, confirmation_prompt=True)
    check_pin(pin)
    set_pin(folder, person, pin)
    click.echo(f"The PIN of {person} is set.")
