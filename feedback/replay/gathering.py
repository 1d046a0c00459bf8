"""Brings a machine's past together: from the kept columns where nothing has changed, else from the store."""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from feedback.configuration.facts import Configuration, Group, Machine
from feedback.configuration.groups import groups
from feedback.ledger import past as store
from feedback.ledger.recent import News
from feedback.replay import cache
from feedback.replay.past import Entered, GroupPast, followed

VERSION = 2  # of the columns and of the trend behind them: one more wherever the same text gives other columns

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql


def gathered(configuration: Configuration, sql: "Sql", machine: str, state: Path) -> list[GroupPast]:
    """The pasts of all groups of one machine that have registers and parts."""
    facts = configuration.machines[machine]
    some = [group for group in groups(configuration, machine) if group.registers]
    paths = [cache.path_of(state, store.digest_of(sql, machine, *_rests_on(group, facts))) for group in some]
    found = [cache.kept(path, group, facts) for path, group in zip(paths, some, strict=True)]
    if any(past is None for past in found):
        found = list(_followed(sql, facts, some, paths))
    return [past for past in found if past is not None]


def _followed(sql: "Sql", machine: Machine, some: Sequence[Group], paths: Sequence[Path]) -> Iterator[GroupPast | None]:
    news = store.everything(sql, machine.name)
    numbers = _numbers(news)
    seen = _seen_at(news, numbers)
    entered = [
        Entered(
            register=one.register,
            source=one.source,
            value=Decimal(one.value),
            opened_part_id=one.opened_part_id,
            number=seen.get((one.register, one.source, Decimal(one.value)), 0),
            parts=one.parts,
        )
        for one in store.entries(sql, machine.name)
    ]
    for group, path in zip(some, paths, strict=True):
        past = followed(group, machine, news.of(group), numbers, entered)
        if past is not None:
            cache.keep(path, past)
        yield past


def _numbers(news: News) -> dict[int, int]:
    """The machine's own count of its parts, in the order in which they were cut."""
    parts = sorted((row.at_us, row.id) for row in news.parts)
    return {part_id: number for number, (_, part_id) in enumerate(parts)}


def _seen_at(news: News, numbers: dict[int, int]) -> dict[tuple[str, str, Decimal], int]:
    """For every register print, by register, log line and value, the count of the part it came with or after."""
    times = sorted((row.at_us, numbers[row.id]) for row in news.parts)
    found = {}
    for row in news.registers:
        before = bisect_right(times, (row.at_us, len(times)))
        number = numbers.get(row.part_id, before - 1) if row.part_id is not None else before - 1
        found[row.register, row.source, Decimal(row.value)] = number
    return found


def _rests_on(group: Group, machine: Machine) -> list[Any]:
    """What beside the store the columns rest on: the machine's facts, the plan, the priors, and this version."""
    from feedback.trend.priors import priors_for

    facts = [machine.name, machine.unit, str(machine.least_increment_mm), machine.tool_radius, machine.lag]
    features = [
        [one.key, one.kind, str(one.lower), str(one.upper), sorted((str(r), str(s)) for r, s in one.moves.items())]
        for one in group.features
    ]
    return [VERSION, facts, features, repr(priors_for(group, machine))]
