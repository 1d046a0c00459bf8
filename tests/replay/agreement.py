"""A replay held against the recorded decisions, part by part and register by register."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import feedback
from feedback.replay import replaying
from feedback.replay.lanes import Lanes, lanes_of
from feedback.replay.one import Replayed, decide_again
from feedback.replay.past import GroupPast
from feedback.replay.recorded import Compared, decided_again
from feedback.replay.replaying import Gathered
from feedback.replay.span import EVERYTHING
from rules.limits import Limits

Entry = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Difference:
    """One register after one part: what was recorded, what the replay says, and the rules that carried the record."""

    register: str
    part: str
    recorded: str
    replayed: str
    carried_by: frozenset[str]


@dataclass(frozen=True, slots=True)
class Agreement:
    """How many answers of each kind were recorded, and where a replay under the limits in force answers otherwise.

    `compared` is what telling the history again found.
    """

    recorded: Counter[str]
    differences: list[Difference]
    compared: Compared


def lanes_for(past: GroupPast, limits: Sequence[Limits]) -> Lanes:
    return lanes_of(past, int(past.at_us[0]), int(past.at_us[-1]), limits)


def limits_of(cell: feedback.Cell, one: GroupPast) -> list[Limits]:
    table = cell.configuration.limits
    return [table.for_register(one.machine.name, register) for register in one.group.registers]


def gathered(cell: feedback.Cell) -> Gathered:
    return replaying.gather(cell, None, EVERYTHING)


def as_it_was(past: GroupPast) -> GroupPast:
    return past


def agreement(
    cell: feedback.Cell,
    scratch: Path,
    *,
    is_corrected: bool = False,
    known: Callable[[GroupPast], GroupPast] = as_it_was,
) -> Agreement:
    """Every recorded decision against a replay; by default with the real corrections at the real rows.

    `known` takes something out of what the replay knows.
    """
    first: dict[tuple[str, str, str], Entry] = {}

    def heard(machine: str, entry: Entry) -> None:
        """The answer to the part itself, not to what was printed after it."""
        first.setdefault((machine, entry["register"], entry["part"]), entry)

    with cell.store.reading() as sql:
        compared = decided_again(sql, cell.folder, scratch, heard=heard)
    found, recorded = list[Difference](), Counter[str]()
    for one in map(known, gathered(cell).pasts):
        limits = limits_of(cell, one)
        again = decide_again(one, lanes_for(one, limits), limits, is_corrected=is_corrected)
        for register, part, answer in _answers(again):
            entry = first[one.machine.name, register, part]
            recorded[entry["answer"]] += 1
            if entry["answer"] != answer:
                found.append(Difference(register, part, entry["answer"], answer, _carried_by(entry)))
    return Agreement(recorded, found, compared)


def _answers(again: Replayed) -> Iterator[tuple[str, str, str]]:
    said = {(one.row, one.column): one.decision.answer for one in again.said}
    for row in range(again.past.first, len(again.past)):
        for column, register in enumerate(again.past.group.registers):
            yield str(register), again.past.part[row], said.get((row, column), "leave")


def _carried_by(entry: Entry) -> frozenset[str]:
    return frozenset(one["rule"] for one in entry["reasons"] if one["verdict"] == entry["answer"])
