"""`trueup history`: who decided what, on which evidence, and what came of it."""

from pathlib import Path
from typing import Any

import click

from feedback.commands.answering import json_option, print_json

REVIEWED = ("proposed", "accepted", "rejected", "expired", "withdrawn", "entered", "hand-change", "released", "locked")
PROBE = ("checked", "doubted", "doubt-ended", "doubt-lifted", "flagged", "probe-state")
SEEN = ("confirmed", "unconfirmed", "wrong-way", "limits-adopted")
ALL = (*REVIEWED, *SEEN, "configuration", "taken", "closed", "decided", *PROBE)


@click.command("history")
@click.option("--machine", help="Only this machine.")
@click.option("--kind", "kinds", multiple=True, type=click.Choice(ALL), help="Only these kinds (may be repeated).")
@click.option("--all", "everything", is_flag=True, help="Also text taken and decisions, which are many.")
@click.option("--last", type=click.IntRange(min=1), help="Only the last so many.")
@json_option
@click.pass_obj
def command(
    folder: Path, machine: str | None, kinds: tuple[str, ...], everything: bool, last: int | None, as_json: bool
) -> None:
    """List what happened to corrections, oldest first: number, time, machine, what, by whom and why."""
    from feedback.configuration.loading import load
    from feedback.ledger import queries
    from feedback.ledger.store import Store

    configuration = load(folder)
    wanted = kinds or (() if everything else tuple(kind for kind in ALL if kind not in ("taken", "closed", "decided")))
    with Store.open(folder, configuration.store, readonly=True) as store, store.reading() as sql:
        events = queries.story(sql, machine, wanted, last)
        checkpoint = queries.head(sql)
    if as_json:
        rows = [
            {
                "seq": event.seq,
                "at": queries.moment(event.at_us).isoformat(),
                "kind": event.kind,
                "machine": event.machine,
                **_plain(event.content),
            }
            for event in events
        ]
        print_json({"schema": "trueup/1", "cell": configuration.name, "checkpoint": str(checkpoint), "events": rows})
        return
    for event in events:
        at = queries.moment(event.at_us).astimezone(configuration.time_zone)
        machine_name, words = event.machine or "-", _words(event.content)
        click.echo(f"{event.seq:>7}  {at:%Y-%m-%d %H:%M:%S}  {machine_name:<6} {event.kind:<13} {words}")
    click.echo(f"checkpoint {checkpoint}  (keep it elsewhere: it shows a history cut off at its end)")


def _plain(content: dict[str, Any]) -> dict[str, Any]:
    """The event's content without whole configuration texts."""
    return {key: value for key, value in content.items() if key != "texts"}


def _words(content: dict[str, Any]) -> str:
    """One line: which proposal or register, the numbers, who and why."""
    proposal = content.get("proposal", {})
    pieces = [
        content.get("id"),
        content.get("register"),
        f"{proposal['now']} -> {proposal['new']} {proposal['unit']}" if proposal else None,
        f"{content['from']} -> {content['to']}" if "from" in content else None,
        f"now {content['value']}" if "value" in content else None,
        f"by {content['by']}" if content.get("by") else None,
        content.get("state"),
        content.get("why") or content.get("note") or (content.get("words") if "state" in content else None),
        f"at {content['source']}" if content.get("source") else None,
        content.get("digest") if "texts" in content else None,
    ]
    return "  ".join(str(piece) for piece in pieces if piece)
