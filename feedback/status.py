"""Reads the present answer out of the store, quickly: somebody is standing at the machine.

A SQLite store is read with the standard library alone and read-only; anything heavier would take longer than the
answer.
"""

import json
import os
import sqlite3
import tomllib
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from feedback import answers
from feedback.errors import StoreError, UsageError
from feedback.inches import answer_in_own_unit

if TYPE_CHECKING:
    from feedback.configuration.facts import Configuration

DECISIONS = "SELECT machine, payload FROM decision ORDER BY machine, register"
PROPOSALS = """
SELECT id, status, digest, payload, by_person, note, doubted FROM proposal p WHERE p.opened_at_us =
(SELECT max(q.opened_at_us) FROM proposal q WHERE q.machine = p.machine AND q.register = p.register)
ORDER BY p.changed_at_us
"""

PROBES = "SELECT machine, payload FROM probe_state ORDER BY machine, probe"
WORST_FIRST = ("failed", "due", "unknown", "fit", "unchecked")

LOCKS = "SELECT machine, register, locked FROM register_hold WHERE locked IS NOT NULL"

UNREADABLE = "SELECT machine, count(*), max(id) FROM unreadable GROUP BY machine"
NEWEST_UNREADABLE = "SELECT path, line, column_no, reason FROM unreadable WHERE id = ?"

Rows = Sequence[Sequence[Any]]
Ask = Callable[[str, Sequence[Any]], Rows]


def document(folder: Path) -> dict[str, Any]:
    """The answer document of the cell in `folder` as last written; machines without a part yet have no decisions."""
    facts = cell_facts(folder)
    with asking(folder, facts.store) as ask:
        return compose(folder, facts.name, facts.machines, ask)


def compose(folder: Path, cell: str, units: Mapping[str, str], ask: Ask) -> dict[str, Any]:
    """The answer document from what the store holds, its words in each machine's own unit; `ask` runs one query.

    `units` is what each machine counts in, in the order of the answers.
    """
    newest = {}
    for id, status, digest, payload, by, note, doubted in ask(PROPOSALS, ()):
        entry = answers.proposal_entry(id, status, digest, json.loads(payload), by, note, doubted)
        entry["snippet"] = snippet_of(folder, entry["machine"], id) if status in answers.LIVE else None
        newest[entry["machine"], entry["register"]] = entry
    locks = {(machine, register): why for machine, register, why in ask(LOCKS, ())}
    by_machine = defaultdict(list)
    for machine, payload in ask(DECISIONS, ()):
        decision = json.loads(payload)
        of_register = (machine, decision["register"])
        shown = answers.with_proposal(decision, newest.get(of_register))
        shown = answers.with_lock(shown, machine, locks.get(of_register))
        by_machine[machine].append(answer_in_own_unit(shown, units.get(machine, "mm")))
    probes = {machine: answer_in_own_unit(probe, units.get(machine, "mm")) for machine, probe in _probes(ask).items()}
    return answers.cell_document(cell, units, by_machine, _unreadable(ask), probes)


def _probes(ask: Ask) -> dict[str, dict[str, Any]]:
    """The state of each machine's worst probe: readings do not say which probe made them."""
    found: dict[str, dict[str, Any]] = {}
    for machine, state in ask(PROBES, ()):
        probe = json.loads(state)
        known = found.get(machine)
        if known is None or WORST_FIRST.index(probe["state"]) < WORST_FIRST.index(known["state"]):
            found[machine] = probe
    return found


def _unreadable(ask: Ask) -> dict[str, dict[str, Any]]:
    """How many lines of each machine could not be understood, and the newest of them."""
    found = {}
    for machine, count, newest in ask(UNREADABLE, ()):
        ((path, line, column, reason),) = ask(NEWEST_UNREADABLE, (newest,))
        found[machine] = {"lines": count, "newest": f"{path}:{line}:{column}: {reason}"}
    return found


def snippet_of(folder: Path, machine: str, id: str) -> str | None:
    """Where the proposal's snippet lies, relative to the cell folder; its suffix is the dialect's."""
    found = sorted((folder / "snippets" / machine).glob(f"{id}.*"))
    return found[0].relative_to(folder).as_posix() if found else None


class CellFacts(NamedTuple):
    """What must be known of a cell to read its present answer."""

    name: str
    store: str
    machines: Mapping[str, str]  # what each counts in: mm or inch
    time_zone: str


def cell_facts(folder: Path) -> CellFacts:
    """Name, store, machines and time zone. A file that is not as it should be is left to the full loader to word."""
    try:
        cell = tomllib.loads((folder / "cell.toml").read_text(encoding="utf-8-sig"))
        head = cell["cell"]
        zone = str(head.get("time_zone", "UTC"))
        units = {name: str(facts["unit"]) for name, facts in cell["machine"].items()}
        return CellFacts(str(head["name"]), str(head.get("store", "sqlite")), units, zone)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        from feedback.configuration.loading import load

        facts = load(folder)
        return CellFacts(facts.name, facts.store, units_of(facts), facts.time_zone.key)


def units_of(facts: "Configuration") -> dict[str, str]:
    """What each machine counts in."""
    return {name: machine.unit for name, machine in facts.machines.items()}


@contextmanager
def asking(folder: Path, store: str) -> Iterator[Ask]:
    """A way to ask the store, which is not written to."""
    if store != "sqlite":
        from feedback.ledger.store import Store

        with Store.open(folder, store, readonly=True) as opened, opened.reading() as sql:
            yield sql.rows
        return
    path = folder / "state" / "trueup.sqlite"
    if not path.is_file():
        raise UsageError(f"{path}: nothing has been read yet; run `trueup process` once, or start `trueup watch`")
    try:
        with closing(sqlite3.connect(_address(path), uri=True, timeout=10)) as connection:
            yield lambda statement, values: connection.execute(statement, values).fetchall()
    except sqlite3.Error as fault:
        raise StoreError(
            f"{path}: the store cannot be read: {fault}; `trueup verify` says what is wrong with it"
        ) from fault


def _address(path: Path) -> str:
    """SQLite makes files beside a store even to read it, and cannot where the reader may not write.

    Without a write-ahead file nobody is writing: then the store can be read as it lies there.
    """
    at_rest = not path.with_name(f"{path.name}-wal").exists() and not os.access(path.parent, os.W_OK)
    return f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if at_rest else ''}"
