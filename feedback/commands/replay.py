"""`trueup replay`: what would these limits have done?"""

from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from feedback.commands.answering import json_option, print_json
from feedback.commands.progress import count_bar

if TYPE_CHECKING:
    from feedback.replay.replaying import Replay
    from feedback.replay.table import Line

SHOWN = 20  # differences listed for people; --json has all


@click.command("replay")
@click.option(
    "--limits",
    type=click.Path(path_type=Path, dir_okay=False),
    help="A file like limits.toml to try; else the limits in force.",
)
@click.option(
    "--since", help="From this day or moment on, such as 2026-11-25 or 2026-11-25T14:30 (the cell's time zone)."
)
@click.option("--until", help="Up to this day or moment.")
@click.option("--machine", help="Only this machine.")
@click.option(
    "--logs",
    type=click.Path(path_type=Path, file_okay=False),
    help="Replay the log files in this folder instead of the cell's own history.",
)
@click.option(
    "--picture", type=click.Path(path_type=Path, dir_okay=False), help="Write a picture of it (SVG) to this file."
)
@click.option("--quick", is_flag=True, help="Leave out making every recorded decision again.")
@click.option(
    "--workers", type=click.IntRange(min=1), default=2, show_default=True, help="Processes that follow the machines."
)
@json_option
@click.pass_obj
def command(
    folder: Path,
    limits: Path | None,
    since: str | None,
    until: str | None,
    machine: str | None,
    logs: Path | None,
    picture: Path | None,
    quick: bool,
    workers: int,
    as_json: bool,
) -> None:
    """Decide the cell's past again: real corrections taken out, those of the limits put in. Changes nothing.

    A correction counts as entered after the shop's own lag. Without --limits every recorded decision must come out as
    it was recorded.
    """
    from contextlib import nullcontext

    from feedback.cell import open_cell
    from feedback.replay import replaying
    from feedback.replay.span import span

    with open_cell(folder) as cell, count_bar("replaying") as progress:
        asked = span(since, until, cell.configuration.time_zone)
        source: Any = nullcontext(cell) if logs is None else replaying.cell_of_logs(cell, logs, machine)
        with source as replayed:
            found = replaying.replay(
                replayed,
                limits=limits,
                span=asked,
                machines=None if machine is None else [machine],
                recorded=not quick,
                workers=workers,
                progress=progress,
            )
    if picture is not None:
        tried = "the limits in force" if limits is None else limits.name
        _draw(picture, f"{cell.configuration.name}: {tried} on its past", found)
    if as_json:
        print_json(document(cell.configuration.name, found))
        return
    for line in lines(found):
        click.echo(line)
    if picture is not None:
        click.echo(f"picture: {picture}")


def _draw(path: Path, title: str, found: "Replay") -> None:
    from feedback.replay.picture import svg

    path.write_text(svg(title, found.groups), encoding="utf-8")


def document(cell: str, found: "Replay") -> dict[str, Any]:
    """Everything found, as `--json` prints it."""
    compared = found.compared
    return {
        "schema": "trueup/1",
        "cell": cell,
        "limits": found.limits,
        "registers": [line.as_json() for line in found.lines],
        "corrections": [asdict(turn) for turn in found.turns],
        "recorded_decisions": None if compared is None else {"count": compared.recorded, "same": compared.same},
        "decisions": [] if compared is None else [asdict(one) for one in compared.differences],
    }


def lines(found: "Replay") -> Iterable[str]:
    """The same for people."""
    yield f"{found.limits}, on the cell's past: as it really was -> as it would have been"
    yield (
        f"  {'register':<26} {'parts':>6} {'corrections':>13} {'RMS um':>14} {'95 % um':>14} {'out of tol.':>16} "
        f"{'least room um':>16} {'held':>11} {'stopped':>11}"
    )
    yield from (f"  {_row(line)}" for line in found.lines)
    yield from _corrections(found)
    yield from _decisions(found)


def _row(line: "Line") -> str:
    def pair(real: float | None, replayed: float, form: str = "d") -> str:
        return f"{'-' if real is None else format(real, form)} -> {format(replayed, form)}"

    return (
        f"{line.machine + ' ' + line.register:<26} {line.parts:>6} "
        f"{pair(line.corrections, line.corrections_replayed):>13} {pair(line.rms_um, line.rms_um_replayed, '.2f'):>14} "
        f"{pair(line.p95_um, line.p95_um_replayed, '.1f'):>14} {pair(line.outside, line.outside_replayed, '.2%'):>16} "
        f"{pair(line.room_um, line.room_um_replayed, '.1f'):>16} {pair(line.held, line.held_replayed):>11} "
        f"{pair(line.stopped, line.stopped_replayed):>11}"
    )


def _corrections(found: "Replay") -> Iterable[str]:
    others = [turn for turn in found.turns if not turn.is_same]
    yield f"corrections: {len(found.turns)} in all, {len(found.turns) - len(others)} of them the same"
    for turn in others[:SHOWN]:
        real, replayed = (f"{text} {turn.unit}" if text else "none" for text in (turn.real, turn.replayed))
        yield f"  part {turn.part:<10} {turn.machine} {turn.register:<18} really {real:<12} replayed {replayed}"
    yield from _more(others)


def _decisions(found: "Replay") -> Iterable[str]:
    compared = found.compared
    if compared is None:
        return
    yield (
        f"recorded decisions made again, with the real corrections left in: {compared.recorded}, "
        f"{compared.same} the same to the last word"
    )
    for one in compared.differences[:SHOWN]:
        yield f"  part {one.part:<10} {one.machine} {one.register:<18} {one.recorded} -> {one.again}: {one.again_words}"
    yield from _more(compared.differences)


def _more(some: list[Any]) -> Iterable[str]:
    if len(some) > SHOWN:
        yield f"  ... and {len(some) - SHOWN} more (--json has all)"
