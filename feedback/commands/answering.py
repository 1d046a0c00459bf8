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
        words = answers.WORDS[machine["answer"]] if machine["decisions"] else "wait: no part has been read yet"
        yield f"{machine['machine']}: {words}"
        shown = [entry for entry in machine["decisions"] if entry["answer"] != "leave"]
        for entry in shown:
            yield from _entry_lines(entry)
        if machine["decisions"] and not shown:
            count, part = len(machine["decisions"]), machine["decisions"][0]["part"]
            yield f"    {count} registers looked at, none needs anything (part {part})"
        unreadable = machine["unreadable"]
        if unreadable["lines"]:
            yield f"    {unreadable['lines']} log lines could not be understood, the newest: {unreadable['newest']}"


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
    if proposal is not None and proposal["status"] == "open":
        yield f"        look: trueup show {proposal['id']}    then: trueup accept {proposal['id']} --by YOU, or reject"
