"""`trueup history`: who decided what, on which evidence, and what came of it."""

from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from feedback.answers import page_unit, page_words
from feedback.commands.answering import json_option, print_json
from feedback.inches import in_own_unit

if TYPE_CHECKING:
    from feedback.configuration.facts import Machine
    from feedback.ledger.chain import Event

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
        machine_name, words = event.machine or "-", _words(event, configuration.machines.get(event.machine or ""))
        click.echo(f"{event.seq:>7}  {at:%Y-%m-%d %H:%M:%S}  {machine_name:<6} {event.kind:<13} {words}")
    click.echo(f"checkpoint {checkpoint}  (keep it elsewhere: it shows a history cut off at its end)")


def _plain(content: dict[str, Any]) -> dict[str, Any]:
    """The event's content without whole configuration texts."""
    return {key: value for key, value in content.items() if key != "texts"}


def _words(event: "Event", machine: "Machine | None") -> str:
    """One line: which probe, proposal or register, the numbers as the control shows them, who and why.

    `machine` is None for what concerns no machine, or one that is no longer in cell.toml.
    """
    content = event.content
    is_doubt = "doubt" in event.kind  # its own number means nothing to anybody
    pieces = [
        f"probe {content['probe']}" if "probe" in content else None,
        None if is_doubt else content.get("id"),
        content.get("register"),
        _change(content, machine),
        f"by {content['by']}" if content.get("by") else None,
        content.get("state"),
        _why(content, machine),
        f"at {content['source']}" if content.get("source") else None,
        content.get("digest") if "texts" in content else None,
    ]
    return "  ".join(str(piece) for piece in pieces if piece)


def _change(content: dict[str, Any], machine: "Machine | None") -> str | None:
    """What a register was or is to be changed by, or holds now."""
    if "proposal" in content:
        return page_words(content["proposal"]["page"])
    if "from" in content:
        shown = _on_page(content["register"], machine, old=content["from"], new=content["to"])
        return f"{shown['old']} -> {shown['new']} {shown['unit']}"
    if "value" in content:
        shown = _on_page(content["register"], machine, value=content["value"])
        return f"now {shown['value']} {shown['unit']}"
    return None


def _on_page(name: str, machine: "Machine | None", **values: str) -> dict[str, str]:
    """Values of a register as the control's page shows them, else as they are kept."""
    from feedback.registers import register
    from feedback.snippets.entry import on_page

    found = register(name)
    if machine is None:
        return {**values, "unit": found.unit}
    shown = on_page(found, machine, **{key: Decimal(value) for key, value in values.items()})
    return {**shown, "unit": page_unit(shown)}


def _why(content: dict[str, Any], machine: "Machine | None") -> str | None:
    """A person's words as they were said, ours in the machine's own unit."""
    words = content.get("why") or content.get("note") or (content.get("words") if "state" in content else None)
    if words is None or machine is None or content.get("by"):
        return words
    return in_own_unit(words, machine.unit)
