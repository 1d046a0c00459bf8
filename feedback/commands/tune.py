"""`trueup tune`: which limits would have served best?"""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from feedback.commands.answering import json_option, print_json
from feedback.commands.progress import count_bar

if TYPE_CHECKING:
    from feedback.replay.tuning import Span, Tried, Tuned

PROPOSED = Path("reports") / "limits.proposed.toml"


@click.command("tune")
@click.option("--register", help='Only this register, such as "M1 tool 5 radius"; else every kind of register.')
@click.option(
    "--for",
    "goal",
    type=click.Choice(("tighter", "fewer")),
    default="tighter",
    show_default=True,
    help="The least spread with no more corrections than now, or the fewest corrections with no more spread.",
)
@click.option("--since", help="From this day or moment on (2026-11-25, 2026-11-25T14:30; the cell's time zone).")
@click.option("--until", help="Up to this day or moment.")
@click.option("--machine", help="Only this machine.")
@click.option(
    "--write",
    "path",
    type=click.Path(path_type=Path, dir_okay=False),
    help=f"The file for the proposed limits; else {PROPOSED.as_posix()} in the cell folder. Never written over.",
)
@click.option("--workers", type=click.IntRange(min=1), default=2, show_default=True, help="Processes to work in.")
@click.option(
    "--dask", metavar="ADDRESS", help="Work on the cluster whose scheduler listens there, such as tcp://host:8786."
)
@json_option
@click.pass_obj
def command(
    folder: Path,
    register: str | None,
    goal: Any,
    since: str | None,
    until: str | None,
    machine: str | None,
    path: Path | None,
    workers: int,
    dask: str | None,
    as_json: bool,
) -> None:
    """Search band, aim, step, evidence, confidence and settle over the cell's past. Changes no limit in force.

    Chosen on the first 60 % of the past, shown on the rest. What it proposes is a file for a person to read, try with
    `trueup replay --limits` and adopt. Exit code 3 when it proposes something.
    """
    from feedback.cell import open_cell
    from feedback.replay import deciding, tuner
    from feedback.replay.span import span

    target = path or folder / PROPOSED
    with open_cell(folder) as cell, count_bar("tuning") as progress:
        power = deciding.Power(workers=workers, dask=dask, progress=progress)
        asked = span(since, until, cell.configuration.time_zone)
        machines = None if machine is None else [machine]
        found = tuner.tune(cell, register=register, span=asked, machines=machines, goal=goal, power=power)
        is_written = tuner.propose(cell, found, target)
    if as_json:
        print_json(document(cell.configuration.name, found, target if is_written else None))
    else:
        for line in lines(found):
            click.echo(line)
        if is_written:
            click.echo(f"proposed: {target}    try it: trueup replay --limits {target}")
    click.get_current_context().exit(3 if is_written else 0)


def document(cell: str, found: "Sequence[Tuned]", path: Path | None) -> dict[str, Any]:
    """Everything found, as `--json` prints it."""
    from feedback.replay.frames import tried_row

    return {
        "schema": "trueup/1",
        "cell": cell,
        "proposed": None if path is None else str(path),
        "scopes": [
            {
                "scope": tuned.scope.name,
                "words": tuned.words,
                "ratio": tuned.ratio,
                "in_force": tried_row(tuned.in_force),
                "chosen": None if tuned.chosen is None else tried_row(tuned.chosen),
                "front": [tried_row(one) for one in tuned.front],
                "tried": len(tuned.tried),
            }
            for tuned in found
        ],
    }


def lines(found: "Sequence[Tuned]") -> Iterable[str]:
    """The front of every scope, and what to make of it."""
    for tuned in found:
        spans = f"chosen on {tuned.in_force.first.parts} parts, shown on the {tuned.in_force.later.parts} after"
        yield f"{tuned.scope.name}: {len(tuned.tried)} settings, {spans}"
        yield f"    {'band  aim  step um  settle  evidence  confidence':<52} {'chosen on':>26} {'later':>26}"
        yield f"    {'':<52} {'corr/100   RMS um   out':>26} {'corr/100   RMS um   out':>26}"
        others = [one for one in (tuned.chosen, tuned.in_force) if one is not None and one not in tuned.front]
        shown = sorted([*tuned.front, *others], key=lambda one: (one.first.corrections, -one.first.rms_um))
        yield from (_row(tuned, one) for one in shown)
        yield f"  {tuned.words}"


def _row(tuned: "Tuned", one: "Tried") -> str:
    limits = one.limits
    mark = "  <- chosen" if one is tuned.chosen else "  <- in force" if one is tuned.in_force else ""
    return (
        f"    {limits.band:>4.0%} {limits.aim:>4.0%} {limits.step_um:>8g} {limits.settle:>7} {limits.evidence:>9} "
        f"{limits.confidence:>11.0%}     {_span(one.first)} {_span(one.later)}{mark}"
    )


def _span(span: "Span") -> str:
    return f"{span.per_100:>10.2f} {span.rms_um:>8.2f} {span.outside:>6.2%}"
