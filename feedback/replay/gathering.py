"""Brings a machine's past together: from the kept columns where nothing has changed, else from the store."""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from feedback.configuration.facts import Configuration, Group, Machine
from feedback.configuration.groups import groups
from feedback.fitness.judging import seen_of
from feedback.ledger import past as store
from feedback.ledger.fold import doubt_check
from feedback.ledger.probes import CheckRow
from feedback.ledger.recent import News
from feedback.replay import cache
from feedback.replay.arrival import Arrivals, Doubt
from feedback.replay.fitness import Judged, Placed, Probes, probe_states
from feedback.replay.following import Entered, follow_group
from feedback.replay.past import Codes, GroupPast
from feedback.replay.standing import Turn, locked
from feedback.replay.told import told

VERSION = 3  # of the columns and of the trend behind them: one more wherever the same text gives other columns

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql


def gathered(configuration: Configuration, sql: "Sql", machine: str, state: Path) -> list[GroupPast]:
    """The pasts of all groups of one machine that have registers and parts."""
    facts, found = configuration.machines[machine], list[cache.Kept]()
    paths = _paths(configuration, sql, machine, state)
    for path, group in paths.items():
        known = cache.kept(path, group, facts)
        if known is None:
            found = _followed(configuration, sql, facts, paths)
            break
        found.append(known)
    turns = _turns(sql, machine)
    return [_with_locks(one.past, turns) for one in found if one.past is not None]


def is_kept(configuration: Configuration, sql: "Sql", machine: str, state: Path) -> bool:
    """Whether the columns of a machine are kept from an earlier look at the same past."""
    return all(path.is_file() for path in _paths(configuration, sql, machine, state))


def _paths(configuration: Configuration, sql: "Sql", machine: str, state: Path) -> dict[Path, Group]:
    some = [group for group in groups(configuration, machine) if group.registers]
    rests_on = _rests_on(configuration, some, configuration.machines[machine])
    return {cache.path_of(state, store.digest_of(sql, machine, group.key, *rests_on)): group for group in some}


def _followed(
    configuration: Configuration, sql: "Sql", machine: Machine, some: Mapping[Path, Group]
) -> list[cache.Kept]:
    """Follow the groups of a machine anew, and keep what comes of it at these paths."""
    news = store.everything(sql, machine.name)
    arrivals = _arrivals(sql, machine.name, news)
    probe = probe_states(_placed(news, arrivals), _probes(configuration, sql, machine))
    news, numbers = _as_first_believed(news), _numbers(news)
    entered = _entered(sql, machine.name, _seen_at(news, numbers))
    found = [follow_group(group, machine, news.of(group), numbers, entered, arrivals) for group in some.values()]
    with_parts = [one for one in found if one is not None]
    causes = iter(told(with_parts, configuration.limits.likelihood) if with_parts else ())
    pasts = [None if one is None else _complete(one.past, next(causes), probe) for one in found]
    for path, past in zip(some, pasts, strict=True):
        cache.keep(path, past)
    return [cache.Kept(past) for past in pasts]


def _complete(past: GroupPast, causes: Codes, probe: Mapping[int, int]) -> GroupPast:
    states = np.array([probe[part] for part in past.part_id.tolist()], dtype=np.int8)
    return replace(past, told=causes, probe=states)


def _entered(sql: "Sql", machine: str, seen: dict[tuple[str, str, Decimal], int]) -> list[Entered]:
    return [
        Entered(
            register=one.register,
            source=one.source,
            value=Decimal(one.value),
            opened_part_id=one.opened_part_id,
            number=seen.get((one.register, one.source, Decimal(one.value)), 0),
            parts=one.parts,
        )
        for one in store.entries(sql, machine)
    ]


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


# What was known when --------------------------------------------------------------------------------------------------


def _arrivals(sql: "Sql", machine: str, news: News) -> Arrivals:
    """Which text brought each part, and how doubts came and went."""
    text_of = store.text_of_parts(sql, machine)
    places = {(row.at_us, row.part_id) for row in news.measurements}
    doubts: dict[int, Doubt] = {}
    again = set[int]()
    for one in store.told(sql, machine, ("doubted", "doubt-ended", "doubt-lifted")):
        content, text = one.event.content, one.text
        if one.event.kind == "doubt-lifted":
            doubts |= {id: replace(doubts[id], lifted=one.event.seq) for id in content["ids"]}
            again |= {min((late for late in text_of.values() if late > one.event.seq), default=text)}
            continue
        until = None if content["until"] is None else _place(content["until"])
        if one.event.kind == "doubted":
            doubts[content["id"]] = Doubt(
                words=content["words"], since=_place(content["since"]), until=until, told=text
            )
            since = doubts[content["id"]].since
        else:
            doubts[content["id"]] = replace(doubts[content["id"]], until=until, ended=text)
            since, until = until or (0, 0), None
        if any(text_of[place[1]] < text and since < place and (until is None or place <= until) for place in places):
            again.add(text)
    return Arrivals(text_of=text_of, doubts=tuple(doubts.values()), again=frozenset(again))


def _place(content: Sequence[int]) -> tuple[int, int]:
    at_us, part_id = content
    return at_us, part_id


def _as_first_believed(news: News) -> News:
    """Without the marks that the probe's doubts have left since: they are put back as of each part."""
    mark = doubt_check(0).rstrip("0")
    return news._replace(
        measurements=[
            row._replace(doubts=tuple(doubt for doubt in row.doubts if not doubt[0].startswith(mark)))
            if row.doubts
            else row
            for row in news.measurements
        ]
    )


def _placed(news: News, arrivals: Arrivals) -> list[Placed]:
    places = {(row.at_us, row.part_id) for row in news.measurements}
    return [Placed(place, arrivals.text(place[1])) for place in sorted(places)]


def _probes(configuration: Configuration, sql: "Sql", machine: Machine) -> Probes:
    lifted = store.told(sql, machine.name, ("doubt-lifted",))
    return Probes(
        judged=[_judged(row, text, lifted) for text, row in store.checks(sql, machine.name)],
        artefacts={name: one for name, one in configuration.artefacts.items() if one.is_for(machine.name)},
        usual=machine.probe.number,
    )


def _judged(row: CheckRow, text: int, lifted: Sequence[store.Told]) -> Judged:
    later = (one.event for one in lifted if one.event.seq > text and one.event.content["probe"] == row.probe)
    aside = next((event.seq for event in later), None) if row.result == "failed" else None
    return Judged(seen_of(row.id, row.content), text, aside)


def _turns(sql: "Sql", machine: str) -> list[Turn]:
    """How the machine's registers were locked and released."""
    found = []
    for one in store.told(sql, machine, ("locked", "wrong-way", "released")):
        content = one.event.content
        if content.get("what") != "growth":
            found.append(
                Turn(
                    register=content["register"],
                    text=one.text,
                    lock=None if one.event.kind == "released" else content["why"],
                    why=content["why"],
                    by=content.get("by"),
                    source=content.get("source"),
                    parts=content.get("parts", 0),
                )
            )
    return found


def _with_locks(past: GroupPast, turns: Sequence[Turn]) -> GroupPast:
    """Put in at every replay: what people release is no reason to filter again."""
    rows, words = locked(past, turns)
    return replace(past, locked=rows, locks=words)


def _rests_on(configuration: Configuration, some: Sequence[Group], machine: Machine) -> list[Any]:
    """What beside the store the columns rest on: the machine's facts, plans, priors, checks, and this version."""
    from feedback.trend.priors import priors_for

    facts = [machine.name, machine.unit, str(machine.least_increment_mm), machine.tool_radius, machine.lag]
    checked = sorted(repr(one) for one in configuration.artefacts.values() if one.is_for(machine.name))
    features = [
        [one.key, one.kind, str(one.lower), str(one.upper), sorted((str(r), str(s)) for r, s in one.moves.items())]
        for group in some
        for one in group.features
    ]
    setter = [str(machine.setter_mm), str(machine.break_limit_mm)]
    priors = [repr(priors_for(group, machine)) for group in some]
    likelihood = configuration.limits.likelihood
    return [VERSION, facts, machine.probe.number, setter, checked, likelihood, features, priors]
