"""The control chart of each artefact's checks since the last calibration, and what it shows in words."""

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from feedback.configuration.facts import Artefact, Machine
from feedback.fitness import chart as charts
from feedback.fitness.chart import Chart
from feedback.fitness.standing import Place
from feedback.ledger.chain import moment
from feedback.ledger.probes import CheckRow

UM_PER_MM: Final = 1000
CHART_SHOWN: Final = 200  # newest values of a chart; its centre comes from the first ones all the same
NOW: Final = 5  # checks that say where a drift stands
ROUNDING: Final = 12**-0.5  # standard deviation of what a last digit hides, in digits
WORTH_A_LOOK: Final = ("drift", "step")


def worth_a_look(
    rows: Sequence[CheckRow], probe: int, machine: Machine, artefacts: Mapping[str, Artefact]
) -> str | None:
    """What the charts of one probe say that a person at the machine should know; None where nothing moves.

    `rows` are all checks and calibrations of the machine, in order. It holds nothing: a chart alarms by chance too.
    """
    own = [row for row in rows if row.probe == probe]
    found = [one for one in charts_of(own, machine, artefacts) if one["found"] in WORTH_A_LOOK]
    return "; ".join(f"{one['artefact']} {one['words']}" for one in found) or None


def charts_of(
    rows: Sequence[CheckRow], machine: Machine, artefacts: Mapping[str, Artefact]
) -> Iterator[dict[str, Any]]:
    """The chart of every artefact, since the last calibration: it begins a new level."""
    checked = [row for row in rows if row.what == "artefact"]
    good = ((row.place, row.id) for row in rows if row.what == "calibration" and row.result == "passed")
    since = max(good, default=None)
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
    return f"drifts by {found.size:+.3f} um a check since {when}: {_reach(found, limit_um)}"


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
        return f"the limit of {limit_um:g} um is reached; calibrate now"
    checks = max(1, round(left / abs(found.size)))
    said = "1 check" if checks == 1 else f"{checks} checks"
    return f"the limit of {limit_um:g} um will be reached in about {said}; calibrate before"


def _exponent(text: str) -> int:
    exponent = Decimal(text).as_tuple().exponent
    return exponent if isinstance(exponent, int) else 0
