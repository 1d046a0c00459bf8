"""All there is to say of one machine's probes, as plain values: what `trueup probe` shows."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from feedback.configuration.facts import Artefact, Configuration, Machine
from feedback.fitness.charting import charts_of
from feedback.fitness.examiner import Examiner
from feedback.fitness.standing import Place, worst_of
from feedback.ledger import probes
from feedback.ledger.chain import moment
from feedback.ledger.probes import CheckRow, DoubtRow

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql

CHECKS_SHOWN: Final = 50
PARTS_SHOWN: Final = 500


def fitness_of(configuration: Configuration, machine: Machine, sql: "Sql") -> dict[str, Any]:
    """One machine's probes: state and why, next check, last calibration, checks, charts, doubts in force.

    Lengths are mm (`_um`: micrometres), times are the machine's own with their offset from UTC.
    """
    examiner = Examiner(configuration, machine, sql)
    rows, doubts = probes.checks(sql, machine.name), probes.doubts(sql, machine.name)
    kept = examiner.kept_states()
    worst = worst_of(examiner.states(examiner.newest_place()))
    return {
        "machine": machine.name,
        "state": worst.name,
        "words": worst.words,
        "probes": [_probe(state, machine, examiner.artefacts, rows, doubts, sql) for state in kept],
        "unreadable": probes.unreadable_checks(sql, machine.name),
    }


def _probe(
    state: Mapping[str, Any],
    machine: Machine,
    artefacts: Mapping[str, Artefact],
    rows: Sequence[CheckRow],
    doubts: Sequence[DoubtRow],
    sql: "Sql",
) -> dict[str, Any]:
    number = state["probe"]
    own = [row for row in rows if row.probe == number]
    checked = [row for row in own if row.what == "artefact"]
    calibrations = [row for row in own if row.what == "calibration"]
    return {
        **state,
        "calibration": _calibration(calibrations[-1]) if calibrations else None,
        "checks": [_check(row) for row in checked[-CHECKS_SHOWN:]],
        "charts": [*charts_of(own, machine, artefacts)],
        "doubts": [_doubt(doubt, machine, sql) for doubt in doubts if doubt.probe == number and not doubt.lifted],
    }


def _calibration(row: CheckRow) -> dict[str, Any]:
    content = row.content
    shown = ("time", "source", "artefact", "result", "values", "words", "verdicts")
    return {**{key: content[key] for key in shown}, "set_aside": row.set_aside}


def _check(row: CheckRow) -> dict[str, Any]:
    content = row.content
    return {
        "time": content["time"],
        "source": content["source"],
        "artefact": row.artefact,
        "actual_mm": float(content["actual"]),
        "temperature_c": None if content["temperature_c"] is None else float(content["temperature_c"]),
        "expected_mm": _number(content["expected"]),
        "error_mm": _number(content["error"]),
        "limit_mm": _number(content["limit"]),
        "result": row.result,
        "set_aside": row.set_aside,
        "words": content["words"],
        "verdicts": content["verdicts"],
    }


def _number(text: str | None) -> float | None:
    return None if text is None else round(float(text), 6)


def _doubt(doubt: DoubtRow, machine: Machine, sql: "Sql") -> dict[str, Any]:
    parts = probes.parts_within(sql, machine.name, doubt.since, doubt.until)
    flagged = probes.proposals_in_doubt(sql, machine.name, doubt.words)
    return {
        "id": doubt.id,
        "words": doubt.words,
        "since": _time(doubt.since, machine),
        "until": None if doubt.until is None else _time(doubt.until, machine),
        "parts_count": len(parts),
        "parts": parts[-PARTS_SHOWN:],
        "proposals": flagged,
    }


def _time(place: Place, machine: Machine) -> str | None:
    """None for a doubt that reaches back to the first part."""
    return None if place[0] < 0 else moment(place[0]).astimezone(machine.time_zone).isoformat()
