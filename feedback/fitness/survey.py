"""All there is to say of one machine's probes, as plain values: what `trueup probe` shows."""

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from feedback.configuration.facts import Artefact, Configuration, Machine
from feedback.fitness import chart as charts
from feedback.fitness.chart import Chart
from feedback.fitness.examiner import Examiner
from feedback.fitness.standing import Place, worst_of
from feedback.ledger import probes
from feedback.ledger.chain import moment
from feedback.ledger.probes import CheckRow, DoubtRow

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql

UM_PER_MM: Final = 1000
CHECKS_SHOWN: Final = 50
CHART_SHOWN: Final = 200  # newest values of a chart; its centre comes from the first ones all the same
PARTS_SHOWN: Final = 500
NOW: Final = 5  # checks that say where a drift stands
ROUNDING: Final = 12**-0.5  # standard deviation of what a last digit hides, in digits


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
        "charts": [*_charts(checked, calibrations, machine, artefacts)],
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


def _charts(
    checked: Sequence[CheckRow], calibrations: Sequence[CheckRow], machine: Machine, artefacts: Mapping[str, Artefact]
) -> Iterator[dict[str, Any]]:
    """The chart of every artefact, since the last calibration: it begins a new level."""
    since = max(((row.place, row.id) for row in calibrations if row.result == "passed"), default=None)
    for artefact in artefacts.values():
        own = [row for row in checked if row.artefact == artefact.name and _counts(row)]
        if own:
            newest = [row for row in own if since is None or (row.place, row.id) > since]
            yield chart_of(newest, None if since is None else since[0], artefact, machine)


def _counts(row: CheckRow) -> bool:
    """Not what says nothing, nor what a person has set aside: a chip on the ring is no error of the probe."""
    return row.content["error"] is not None and not row.set_aside


def chart_of(shown: Sequence[CheckRow], since: Place | None, artefact: Artefact, machine: Machine) -> dict[str, Any]:
    """The control chart of one artefact's checks (errors in um) since a calibration, and what it shows in words."""
    errors_um = [float(Decimal(row.content["error"]) * UM_PER_MM) for row in shown]
    digit_um = 10.0 ** min((_exponent(row.content["actual"]) for row in shown), default=-4) * UM_PER_MM
    found = charts.chart(errors_um, digit_um * ROUNDING)
    limit_um = float(artefact.error_limit_mm * UM_PER_MM)
    limits = found.limits
    return {
        "artefact": artefact.name,
        "since": None if since is None else moment(since[0]).astimezone(machine.time_zone).isoformat(),
        "times": [row.content["time"] for row in shown][-CHART_SHOWN:],
        "error_um": _newest(found.values),
        "ewma_um": _newest(found.ewma),
        "error_limit_um": limit_um,
        "centre_um": None if limits is None else round(limits.centre, 3),
        "sigma_um": None if limits is None else round(limits.sigma, 3),
        "lower_um": None if limits is None else round(limits.lower, 3),
        "upper_um": None if limits is None else round(limits.upper, 3),
        "ewma_lower_um": _newest(found.ewma_lower),
        "ewma_upper_um": _newest(found.ewma_upper),
        "found": found.found,
        "words": chart_words(found, limit_um, [row.content["time"] for row in shown]),
    }


def _newest(values: Sequence[float]) -> list[float]:
    return [round(value, 3) for value in values[-CHART_SHOWN:]]


def chart_words(found: Chart, limit_um: float, times: Sequence[str]) -> str:
    """What the chart shows and what to do about it, in one line."""
    if found.limits is None:
        count = len(found.values)
        return f"{count} {'check' if count == 1 else 'checks'} so far; {charts.BASELINE} make a chart"
    if found.found == "nothing" or found.since is None:
        return f"steady: {found.limits.centre:+.2f} um, standard deviation {found.limits.sigma:.2f} um"
    when = _minute(times[found.since])
    if found.found == "step":
        return f"stepped by {found.size:+.2f} um with the check of {when}: look at the stylus, and calibrate"
    if found.found == "outlier":
        return f"the last check lies {found.size:+.2f} um off the others: clean the artefact and check again"
    return f"drifts by {found.size:+.3f} um a check since {when}: {_reach(found, limit_um)}; calibrate before"


def _minute(time: str) -> str:
    """Day and time of day, as everything on paper and screen states them: "2025-03-03 14:45"."""
    return time[:16].replace("T", " ")


def _reach(found: Chart, limit_um: float) -> str:
    """When a drift will reach the limit, from where its newest checks stand now."""
    side = 1.0 if found.size > 0 else -1.0
    newest = found.values[-NOW:]
    now_um = sum(newest) / len(newest) + found.size * (len(newest) - 1) / 2
    left = limit_um - side * now_um
    if left <= 0 or abs(found.values[-1]) > limit_um:
        return f"the limit of {limit_um:g} um is reached"
    return f"the limit of {limit_um:g} um will be reached in about {max(1, round(left / abs(found.size)))} checks"


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


def _exponent(text: str) -> int:
    exponent = Decimal(text).as_tuple().exponent
    return exponent if isinstance(exponent, int) else 0
