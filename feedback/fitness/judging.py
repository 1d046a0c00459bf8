"""From what a log says of a probe to an entry of the history: what it was, what came out, in words. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from feedback.configuration.facts import Artefact, Machine
from feedback.fitness import calibration, checks
from feedback.fitness.calibration import Calibration, Values
from feedback.fitness.checks import Check
from feedback.fitness.standing import Place, Seen
from feedback.fitness.verdict import Verdict, worst

Entry = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One line about a probe: `kind` is artefact, calibration, or unreadable for a calibration nobody could read."""

    kind: str
    content: Mapping[str, Any]
    place: Place
    at: datetime  # in the machine's own time
    source: str


def entry_of(said: Said, last: Values | None, machine: Machine, artefacts: Mapping[str, Artefact]) -> Entry:
    """The entry of one line. `last`: the values of the same probe's calibration before it."""
    if said.kind == "artefact":
        return _check_entry(said, machine, artefacts)
    if said.kind == "calibration":
        return _calibration_entry(said, last, machine, artefacts)
    found = Verdict("values", "failed", f"the calibration could not be read: {said.content['reason']}")
    values: dict[str, str | None] = {}
    return _calibration_words(said, machine.probe.number, None, values, (found,))


def identity(entry: Entry) -> tuple[Any, ...]:
    """What makes two records the same one, delivered twice."""
    values = tuple(sorted(entry.get("values", {}).items()))
    said = (entry.get("actual"), entry.get("temperature_c"), values)
    return entry["what"], entry["probe"], entry["artefact"], entry["at"][0], said


def values_of(entry: Entry) -> Values:
    """The values of a calibration's entry, exact."""
    return {word: None if value is None else Decimal(value) for word, value in entry["values"].items()}


def seen_of(id: int, entry: Entry) -> Seen:
    """What the timeline needs of an entry."""
    return Seen(
        id=id,
        probe=entry["probe"],
        what=entry["what"],
        artefact=entry["artefact"],
        place=(entry["at"][0], entry["at"][1]),
        result=entry["result"],
        words=entry["brief"],
        reaches_back=entry.get("reaches_back", True),
        ends_with_check=entry.get("ends_with_check", False),
    )


def _check_entry(said: Said, machine: Machine, artefacts: Mapping[str, Artefact]) -> Entry:
    content = said.content
    check = Check(
        artefact=content["artefact"],
        actual=Decimal(content["actual"]),
        on=said.at.date(),
        x=_decimal(content["x"]),
        y=_decimal(content["y"]),
        temperature_c=_temperature(content["temperature_c"], machine),
    )
    is_compensated = machine.temperature == "compensated"
    outcome = checks.outcome(check, artefacts, machine.scale_cte_per_k, machine.unit, is_compensated=is_compensated)
    known = calibration.named(check.artefact, artefacts)
    return {
        "what": "artefact",
        "probe": content.get("probe") or machine.probe.number,
        "artefact": check.artefact if known is None else known.name,
        "at": list(said.place),
        "time": said.at.isoformat(),
        "source": said.source,
        "actual": f"{check.actual:f}",
        "temperature_c": content["temperature_c"],
        **outcome.to_json(),
    }


def _calibration_entry(said: Said, last: Values | None, machine: Machine, artefacts: Mapping[str, Artefact]) -> Entry:
    content = said.content
    values: dict[str, str | None] = content["values"]
    found = Calibration(
        probe=content["probe"],
        values={word: _decimal(value) for word, value in values.items()},
        artefact=content.get("artefact"),
        on=said.at.date(),
    )
    verdicts = calibration.verdicts(found, last, machine.probe, artefacts, machine.unit)
    return _calibration_words(said, found.probe, found.artefact, values, verdicts)


def _calibration_words(
    said: Said, probe: int, artefact: str | None, values: Mapping[str, str | None], verdicts: Sequence[Verdict]
) -> Entry:
    result = worst(verdicts)
    failed = [verdict.words for verdict in verdicts if verdict.outcome == "failed"]
    why = "; ".join(failed) if failed else verdicts[0].words
    return {
        "what": "calibration",
        "probe": probe,
        "artefact": artefact,
        "at": list(said.place),
        "time": said.at.isoformat(),
        "source": said.source,
        "result": result,
        "reaches_back": calibration.shows_a_change(verdicts),
        "ends_with_check": calibration.failed_by_change_alone(verdicts),
        "values": dict(values),
        "words": f"calibration of probe {probe} {result}: {why}",
        "brief": f"its calibration {result}: {why}",
        "verdicts": [verdict.to_json() for verdict in verdicts],
    }


def _temperature(printed: str | None, machine: Machine) -> Decimal | None:
    """What the line printed, else what the machine is said to be at."""
    if printed is None and isinstance(machine.temperature, Decimal):
        return machine.temperature
    return _decimal(printed)


def _decimal(value: str | None) -> Decimal | None:
    return None if value is None else Decimal(value)
