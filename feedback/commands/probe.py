"""`trueup probe`: is the probe fit to measure?"""

import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import click

from feedback.commands.answering import LOOK, json_option, print_json

CHECKS_LISTED = 8
PARTS_LISTED = 12
UNREADABLE_LISTED = 4
_STATES: Mapping[str, str] = {
    "fit": "fit to measure",
    "due": "its check is due; nothing is proposed until it passes",
    "failed": "NOT fit to measure; nothing is proposed until it passes or a person lifts the doubt",
    "unknown": "not checked yet; proposals carry that caution",
    "unchecked": "unchecked: no artefact is configured; proposals carry that caution",
}


@click.group("probe", invoke_without_command=True)
@click.option("--machine", help="Only this machine.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write the chart of every artefact as an SVG file into this folder.",
)
@json_option
@click.pass_context
def command(ctx: click.Context, machine: str | None, picture: Path | None, as_json: bool) -> None:
    """Say for every probe whether it is fit to measure: last calibration, checks, chart, readings in doubt.

    Exit code 3 when a probe has failed or its check is due.
    """
    if ctx.invoked_subcommand is not None:
        return
    from feedback.cell import open_cell

    with open_cell(ctx.obj) as cell:
        found = cell.probe(machine)
        written = [] if picture is None else list(_pictures(picture, found))
    if as_json:
        print_json(found)
    else:
        for line in _lines(found):
            click.echo(line)
        for path in written:
            click.echo(f"picture: {path}")
    sys.exit(LOOK if any(one["state"] in ("failed", "due") for one in found["machines"]) else 0)


@command.command("study")
@click.option("--machine", help="Only this machine.")
@json_option
@click.pass_obj
def study(folder: Path, machine: str | None, as_json: bool) -> None:
    """Say how well the probe repeats and which tolerances it can judge, from REPEAT and ARTEFACT lines of the log."""
    from feedback.cell import open_cell

    with open_cell(folder) as cell:
        found = cell.study(machine)
    if as_json:
        print_json(found)
        return
    for one in found["machines"]:
        for line in _study(one):
            click.echo(line)


@command.command("lift")
@click.argument("machine")
@click.option("--probe", "number", type=int, default=1, show_default=True, help="Its number.")
@click.option("--by", required=True, metavar="PERSON", help="Who lifts the doubt, as named in cell.toml.")
@click.option("--why", required=True, help="What was found: why those readings may be believed after all.")
@json_option
@click.pass_obj
def lift(folder: Path, machine: str, number: int, by: str, why: str, as_json: bool) -> None:
    """Believe again what was measured on MACHINE while its probe failed. Needs a person who may `release`."""
    from feedback.cell import open_cell

    with open_cell(folder) as cell:
        found = cell.release_probe(machine, number, by=by, why=why)
    if as_json:
        print_json(found)
        return
    click.echo(f"{machine} probe {number}: {by} has lifted the doubt; its readings count again with the next part.")


def _pictures(folder: Path, found: Mapping[str, Any]) -> Iterator[Path]:
    from feedback.fitness.picture import svg

    folder.mkdir(parents=True, exist_ok=True)
    for machine in found["machines"]:
        for probe in machine["probes"]:
            for chart in probe["charts"]:
                path = folder / f"{machine['machine']}-probe-{probe['probe']}-{chart['artefact']}.svg"
                title = f"{machine['machine']} probe {probe['probe']} on {chart['artefact']}"
                path.write_text(svg(chart, title), encoding="utf-8")
                yield path


def _lines(found: Mapping[str, Any]) -> Iterator[str]:
    for machine in found["machines"]:
        for probe in machine["probes"]:
            yield f"{machine['machine']} probe {probe['probe']}: {_STATES[probe['state']]}"
            yield f"    {probe['words']}"
            yield from _calibration(probe["calibration"])
            yield from _checks(probe["checks"])
            yield from _charts(probe["charts"])
            yield from _doubts(probe["doubts"])
        yield from _unreadable(machine)


def _unreadable(machine: Mapping[str, Any]) -> Iterator[str]:
    found = machine["unreadable"]
    if found:
        head = "lines on checks and repeats that cannot be understood and do not count"
        yield f"{machine['machine']}: {head}: {len(found)}"
        yield from (f"    {line}" for line in found[-UNREADABLE_LISTED:])
        yield "    mend what prints them, then probe the artefact again"


def _calibration(found: Mapping[str, Any] | None) -> Iterator[str]:
    if found is None:
        yield "    no calibration record in the logs"
        return
    yield f"    last calibration {_time(found['time'])} ({found['source']}): {found['result']}{_aside(found)}"
    passed = [verdict for verdict in found["verdicts"] if verdict["outcome"] == "passed"]
    if passed:
        yield f"        {_mark('passed')} {len(passed)} of {len(found['verdicts'])} things looked at (--json has all)"
    for verdict in found["verdicts"]:
        if verdict["outcome"] != "passed":
            yield f"        {_mark(verdict['outcome'])} {verdict['words']}"


def _checks(found: list[Mapping[str, Any]]) -> Iterator[str]:
    if not found:
        return
    yield f"    checks, the newest of {len(found)} last:"
    for check in found[-CHECKS_LISTED:]:
        yield f"        {_time(check['time'])}  {_mark(check['result'])} {_check(check)}{_aside(check)}"


def _check(found: Mapping[str, Any]) -> str:
    """Short where it passed; in full where something is to be done."""
    if found["result"] != "passed" or found["error_mm"] is None:
        return str(found["words"])
    return f"{found['artefact']} {found['error_mm'] * 1000:+.2f} um (limit {found['limit_mm'] * 1000:g} um)"


def _charts(found: list[Mapping[str, Any]]) -> Iterator[str]:
    from feedback.fitness.picture import plot

    for chart in found:
        since = "" if chart["since"] is None else f" since the calibration of {_time(chart['since'])}"
        yield f"    chart of {chart['artefact']}{since} (um): {chart['words']}"
        yield from (f"        {line}" for line in plot(chart))


def _doubts(found: list[Mapping[str, Any]]) -> Iterator[str]:
    for doubt in found:
        since, until = doubt["since"], doubt["until"]
        span = f"since {_time(since)}" if since is not None else "since the first part"
        yield f"    IN DOUBT {span}{f' until {_time(until)}' if until is not None else ''}: {doubt['words']}"
        if doubt["parts"]:
            parts = doubt["parts"][-PARTS_LISTED:]
            more = "" if doubt["parts_count"] == len(parts) else f" and {doubt['parts_count'] - len(parts)} before them"
            yield f"        {doubt['parts_count']} parts: {', '.join(map(str, parts))}{more}"
        if doubt["proposals"]:
            named = ", ".join(f"{one['id']} ({one['register']}, {one['status']})" for one in doubt["proposals"])
            yield f"        proposals that rest on them: {named}"


def _study(found: Mapping[str, Any]) -> Iterator[str]:
    yield f"{found['machine']}: study of the probe"
    for repeats in found["repeatability"]:
        for point in repeats["points"]:
            words = "; ".join(point.get("words", (_too_few(point["n"]),)))
            yield f"    {repeats['artefact']} point {point['point']}: {words}"
        yield from (f"    {repeats['artefact']}: {words}" for words in repeats.get("words", ()))
    yield from (f"    {one['artefact']}: {one['words']}" for one in found["relocation"])
    yield from (f"    {one['artefact']}: {one['words']}" for one in found["rings"])
    for one in found["reclamped"]:
        yield f"    feature {one['feature']}: every part clamped and probed {one['trials']} times"
        yield from (f"        {method['words']}" for method in one["methods"])
    for feature in found["features"]:
        missing = "; ".join(feature["open"])
        yield f"    {feature.get('words') or 'feature ' + feature['feature'] + ': not judged'}"
        if missing:
            yield f"        not in its uncertainty: {missing}"
    if found["suggested"] is not None:
        yield f"    for [{found['suggested']['table']}] in cell.toml: {found['suggested']['line']}"
    yield from (f"    open: {words}" for words in found["open"])
    yield from (f"    caution: {words}" for words in found["cautions"])


def _too_few(touches: int) -> str:
    return f"{touches} {'touch' if touches == 1 else 'touches'}, too few to judge"


def _mark(outcome: str) -> str:
    return {"passed": "passed ", "failed": "FAILED ", "caution": "caution", "void": "void   "}[outcome]


def _aside(found: Mapping[str, Any]) -> str:
    return " (set aside by a person)" if found["set_aside"] else ""


def _time(text: str) -> str:
    return text[:16].replace("T", " ")
