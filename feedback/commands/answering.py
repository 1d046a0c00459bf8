"""What every answering command shares: one JSON document on stdout, words for people, and exit code 3 for a look."""

import json
import sys
from collections.abc import Iterable, Mapping
from typing import Any, NoReturn

import click

from feedback import answers

LOOK = 3

json_option = click.option(
    "--json", "as_json", is_flag=True, help="One JSON document on stdout; messages go to stderr."
)


def print_json(document: Mapping[str, Any]) -> None:
    """The document on stdout; a bare number never stands for a length, every key ends in its unit."""
    click.echo(json.dumps(document, indent=2, ensure_ascii=False, default=str))


def answer(document: Mapping[str, Any], as_json: bool) -> NoReturn:
    """Print the answer document and end with 3 when a person should look, else 0."""
    if as_json:
        print_json(document)
    else:
        for line in lines(document):
            click.echo(line)
    sys.exit(LOOK if answers.needs_a_look(document) else 0)


def lines(document: Mapping[str, Any]) -> Iterable[str]:
    """The answer for people: one line a machine, then what carries it."""
    for trouble in document.get("troubles", ()):
        yield f"! {trouble}"
    for machine in document["machines"]:
        words = _machine_words(machine)
        yield f"{machine['machine']}: {words}"
        yield from _probe_lines(machine)
        shown = [entry for entry in machine["decisions"] if entry["answer"] != "leave"]
        for entry in shown:
            yield from _entry_lines(entry)
        yield from _notes(entry for entry in machine["decisions"] if entry["answer"] == "leave")
        if machine["decisions"] and not shown:
            count, part = len(machine["decisions"]), machine["decisions"][0]["part"]
            yield f"    {count} registers looked at, none needs anything (part {part})"
        unreadable = machine["unreadable"]
        if unreadable["lines"]:
            yield f"    {unreadable['lines']} log lines could not be understood, the newest: {unreadable['newest']}"


_WORTH_A_NOTE = frozenset({"part-moved", "warm-up", "probe", "conflict", "unknown"})


def _notes(left_alone: Iterable[Mapping[str, Any]]) -> Iterable[str]:
    """What was seen to move though nothing needs correcting: once each."""
    seen = {entry["told"]: entry["cause"] for entry in left_alone if entry.get("told")}
    yield from (f"    note, {cause}: {told}" for told, cause in seen.items() if cause in _WORTH_A_NOTE)


def _machine_words(machine: Mapping[str, Any]) -> str:
    if not machine["decisions"]:
        return "wait: no part has been read yet"
    if machine["answer"] == "hold" and all(entry["answer"] != "hold" for entry in machine["decisions"]):
        return "hold: the probe must be checked first"
    return answers.WORDS[machine["answer"]]


_PROBE_WORDS = {
    "failed": "NOT fit to measure, nothing is proposed until it passes or a person lifts the doubt",
    "due": "its check is due, nothing is proposed until it passes",
    "unknown": "not checked yet",
}


def _probe_lines(machine: Mapping[str, Any]) -> Iterable[str]:
    probe = machine["probe"]
    said = _PROBE_WORDS.get(probe["state"])
    if said is not None:
        yield f"    probe {probe['probe']}: {said}: {probe['words']}"
    if probe.get("chart") is not None and probe["state"] != "failed":
        yield f"    look: probe {probe['probe']} on {probe['chart']}"


def _entry_lines(entry: Mapping[str, Any]) -> Iterable[str]:
    proposal = entry.get("proposal")
    head = f"    {entry['register']}: {entry['answer']} (part {entry['part']}, cause: {entry['cause']})"
    if proposal is not None and proposal["status"] in answers.LIVE:
        head = (
            f"    {entry['register']}: {answers.page_words(proposal['page'])}, cause: {entry['cause']},"
            f" proposal {proposal['id']} is {proposal['status']}"
        )
    yield head
    for words in answers.main_reasons(entry):
        yield f"        {words}"
    if proposal is not None and proposal["status"] in answers.LIVE:
        yield from (f"        caution: {words}" for words in proposal["cautions"])
        if proposal["doubted"] is not None:
            yield f"        IN DOUBT, do not enter it: {proposal['doubted']}"
    if proposal is not None and proposal["status"] == "open":
        yield f"        look: trueup show {proposal['id']}    then: trueup accept {proposal['id']} --by YOU, or reject"
