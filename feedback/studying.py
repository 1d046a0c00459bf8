"""The study of a machine's probe, put together from what its log holds: how it repeats and what it can judge. Pure.

Touches of one artefact belong to one study while no hour passes between them; the newest study counts. What cannot be
told is said in words, under `open`.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from math import atan2, isinf, pi
from typing import Any, Final, NamedTuple

from feedback.configuration.facts import Artefact, Configuration, Feature, Group, Machine
from feedback.expansion import REFERENCE_C
from feedback.follow import UM_PER_MM
from feedback.metrology.budget import Known, feature_budget, missing, rounded_up
from feedback.metrology.capability import MeasurementCapability, measuring_system_um
from feedback.metrology.circle import LEAST_POINTS, Circle, Point, least_squares_circle
from feedback.metrology.conformity import Tolerance
from feedback.metrology.gauge import GaugeStudy, by_anova, by_ranges
from feedback.metrology.inconclusive import InconclusiveError
from feedback.metrology.repeatability import (
    LEAST_REPEATS,
    Directions,
    Relocation,
    Repeatability,
    per_direction,
    relocation,
)
from feedback.metrology.repeatability import repeatability as judged_repeats
from feedback.metrology.scatter import Interval, deviations_um, mean, spread_interval
from feedback.metrology.study import feature_verdict
from feedback.trend.priors import priors_for
from feedback.uncertainty import known_of
from feedback.units import from_mm, plain, to_mm

RECLAMP_PAUSE_US: Final = 4 * 3600 * 1_000_000  # a part number that comes again later is another part's
LEAST_RECLAMPED: Final = 3  # parts; fewer say nothing about the parts' own spread
STUDY_PAUSE_US: Final = 3600 * 1_000_000  # an hour without a touch ends a study
USUAL_POINTS: Final = 36  # around a ring for the probe's 2D error (ISO 230-10, from memory)
CAUTIONS: Final = (
    "on-machine probing cannot see the machine's own geometric errors: what cut the part also measures it",
)

Entry = dict[str, Any]


class Touch(NamedTuple):
    """One touch of a repeatability study (mm, as the log printed it)."""

    artefact: str
    point: int
    actual: Decimal
    at_us: int
    source: str
    x: Decimal | None = None  # where the probe touched
    y: Decimal | None = None


class Checked(NamedTuple):
    """One check on an artefact: its size and, where the log printed it, the centre (mm) and the temperature."""

    artefact: str
    actual: Decimal
    x: Decimal | None
    y: Decimal | None
    temperature_c: Decimal | None
    at_us: int
    source: str


class Again(NamedTuple):
    """One reading of a part that was probed more than once."""

    feature: str
    part: str
    at_us: int
    deviation_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """The newest study of one artefact: touches by point, and the step between readings."""

    artefact: str
    points: Mapping[str, tuple[Touch, ...]]
    step_um: float

    def values_um(self, point: str, reference_mm: Decimal) -> list[float]:
        return deviations_um([touch.actual for touch in self.points[point]], reference_mm)

    def at_one_place(self) -> list[str]:
        """The points that say how the probe repeats: not those around a ring, touched once or twice for the circle."""
        return [point for point, touches in self.points.items() if not _is_around(touches)]

    def repeated_um(self, reference_mm: Decimal) -> dict[str, list[float]]:
        """The points touched often enough for a study; points around a ring are touched once, for the circle."""
        often = [point for point, touches in self.points.items() if len(touches) >= LEAST_REPEATS]
        return {point: self.values_um(point, reference_mm) for point in often}


def newest_repeats(touches: Sequence[Touch], machine: Machine) -> dict[str, Repeats]:
    """By artefact the touches of its newest study."""
    found = {}
    for artefact in dict.fromkeys(touch.artefact for touch in touches):
        own = [touch for touch in touches if touch.artefact == artefact]
        newest = _since_the_last_pause(own)
        by_point: dict[str, list[Touch]] = {}
        for touch in newest:
            by_point.setdefault(str(touch.point), []).append(touch)
        found[artefact] = Repeats(
            artefact=artefact,
            points={point: tuple(some) for point, some in by_point.items()},
            step_um=_step_um([touch.actual for touch in newest], machine),
        )
    return found


def _since_the_last_pause(touches: Sequence[Touch]) -> Sequence[Touch]:
    begin = 0
    for k in range(1, len(touches)):
        if touches[k].at_us - touches[k - 1].at_us > STUDY_PAUSE_US:
            begin = k
    return touches[begin:]


def _step_um(values_mm: Iterable[Decimal], machine: Machine) -> float:
    """The last decimal the control printed, in its own unit."""
    exponents = [from_mm(value, machine.unit).as_tuple().exponent for value in values_mm]
    finest = min((exponent for exponent in exponents if isinstance(exponent, int)), default=0)
    return float(to_mm(Decimal(1).scaleb(finest), machine.unit)) * UM_PER_MM


def measured_repeatability(touches: Sequence[Touch], machine: Machine) -> Directions | None:
    """How well the probe repeats by its newest study; None where none has ten touches of a point.

    Of several artefacts the one touched last counts.
    """
    last = touches[-1].artefact if touches else None
    found = newest_repeats(touches, machine)
    if last is None:
        return None
    study = found[last]
    reference = touches[-1].actual
    try:
        return per_direction(study.repeated_um(reference), study.step_um, "point")
    except InconclusiveError:
        return None


def study(
    configuration: Configuration,
    machine: Machine,
    touches: Sequence[Touch],
    checks: Sequence[Checked],
    again: Sequence[Again] = (),
) -> Entry:
    """The study of one machine, ready for JSON; see the module. Everything stands in order of time."""
    still_open: list[str] = []
    repeats = [_repeats(found, configuration, still_open) for found in newest_repeats(touches, machine).values()]
    if not touches:
        still_open.append("no touch of an artefact is in the log: run a repeatability study (REPEAT lines)")
    measured = measured_repeatability(touches, machine)
    if touches and not any(entry["points"] for entry in repeats):
        still_open.append(f"no place was touched again and again: touch one point {LEAST_REPEATS} times (REPEAT lines)")
    bias = {artefact.name: _bias(artefact, machine, checks) for artefact in configuration.artefacts.values()}
    rings = list(_rings(newest_repeats(touches, machine).values(), still_open))
    form_um = max((ring["range_um"] for ring in rings), default=None)
    still_open += _stated_otherwise(machine, measured)
    return {
        "machine": machine.name,
        "repeatability": [entry for entry in repeats if entry["points"]],
        "checks": [entry for entry in bias.values() if entry is not None],
        "relocation": list(_relocations(checks, still_open)),
        "rings": rings,
        "reclamped": list(_reclamped(configuration, again)),
        "features": _features(configuration, machine, measured, bias, form_um),
        "suggested": _suggested(machine, measured),
        "open": still_open,
        "cautions": list(CAUTIONS),
    }


def _repeats(found: Repeats, configuration: Configuration, still_open: list[str]) -> Entry:
    first = next(iter(found.points.values()))[0].actual
    artefact = configuration.artefacts.get(found.artefact)
    reference = first if artefact is None else artefact.size_mm
    points = {point: found.values_um(point, reference) for point in found.at_one_place()}
    if artefact is None:
        still_open.append(f"artefact {found.artefact} is not in cell.toml: its touches have no certified size")
    entry: Entry = {
        "artefact": found.artefact,
        "reference_mm": plain(reference),
        "resolution_um": found.step_um,
        "points": [_point(point, values, found, still_open) for point, values in points.items()],
    }
    try:
        together = per_direction(found.repeated_um(reference), found.step_um, "point")
    except InconclusiveError:
        return entry
    return {
        **entry,
        "sd_um": together.pooled_sd_um,
        "degrees": together.degrees,
        "alike": together.are_alike,
        "words": list(together.words),
    }


def _point(point: str, values_um: Sequence[float], found: Repeats, still_open: list[str]) -> Entry:
    touches = found.points[point]
    entry: Entry = {"point": point, "n": len(touches), "evidence": [touches[0].source, touches[-1].source]}
    try:
        judged = judged_repeats(values_um, found.step_um)
    except InconclusiveError as why:
        still_open.append(f"artefact {found.artefact} point {point}: {why}")
        return entry
    return {**entry, **_repeatability(judged)}


def _repeatability(judged: Repeatability) -> Entry:
    return {
        "mean_um": judged.mean_um,
        "sd_um": interval(judged.sd_um),
        "range_um": judged.range_um,
        "expected_range_um": judged.expected_range_um,
        "words": list(judged.words),
    }


def interval(found: Interval | None) -> Entry | None:
    """Ready for JSON; an infinite end is None."""
    if found is None:
        return None
    ends = {name: getattr(found, name) for name in ("value", "low", "high")}
    return {**{name: None if isinf(end) else end for name, end in ends.items()}, "confidence": found.confidence}


def _bias(artefact: Artefact, machine: Machine, checks: Sequence[Checked]) -> Entry | None:
    """How the checks stand to the certificate, in the mean; None where there is none."""
    own = [check for check in checks if check.artefact == artefact.name]
    if not own:
        return None
    errors = [float((check.actual - _expected(artefact, machine, check.temperature_c)) * UM_PER_MM) for check in own]
    return {
        "artefact": artefact.name,
        "n": len(own),
        "mean_error_um": mean(errors),
        "newest_error_um": errors[-1],
        "limit_um": float(artefact.error_limit_mm) * UM_PER_MM,
        "evidence": [own[0].source, own[-1].source],
    }


def _expected(artefact: Artefact, machine: Machine, at_c: Decimal | None) -> Decimal:
    if at_c is None or machine.temperature == "compensated":
        return artefact.size_mm
    cte = artefact.cte_per_k - (machine.scale_cte_per_k or 0)
    return artefact.size_mm * (1 + cte * (at_c - REFERENCE_C))


def _relocations(checks: Sequence[Checked], still_open: list[str]) -> Iterator[Entry]:
    """How far an artefact's centre was found apart over its checks, tool changes between them included."""
    for artefact in dict.fromkeys(check.artefact for check in checks):
        own = [check for check in checks if check.artefact == artefact]
        places = [_place_um(check.x, check.y) for check in own if check.x is not None and check.y is not None]
        if not places:
            continue
        try:
            found = relocation(places)
        except InconclusiveError as why:
            still_open.append(f"artefact {artefact}, centre: {why}")
            continue
        yield _relocation(artefact, found)


def _place_um(x: Decimal, y: Decimal) -> dict[str, float]:
    return {"X": float(x * UM_PER_MM), "Y": float(y * UM_PER_MM)}


def _relocation(artefact: str, found: Relocation) -> Entry:
    words = ", ".join(f"{axis} within {range_um:.1f} um" for axis, range_um in found.range_um.items())
    return {
        "artefact": artefact,
        "n": found.n,
        "range_um": dict(found.range_um),
        "sd_um": dict(found.sd_um),
        "words": f"the centre was found {words} over {found.n} checks",
    }


def _rings(studies: Iterable[Repeats], still_open: list[str]) -> Iterator[Entry]:
    """The least-squares circle through the points of each artefact that were touched around it."""
    for found in studies:
        points = [_mean_place(touches) for touches in found.points.values()]
        places = [place for place in points if place is not None]
        if not places:
            continue
        try:
            circle = least_squares_circle(places)
        except InconclusiveError as why:
            still_open.append(f"artefact {found.artefact}, points around it: {why}")
            continue
        if len(places) == LEAST_POINTS:
            still_open.append(
                f"artefact {found.artefact}: any circle fits three points; touch {USUAL_POINTS} around it"
            )
            continue
        yield _ring(found.artefact, circle, places)


def _is_around(touches: Sequence[Touch]) -> bool:
    """A point of a circle: the log says where it was touched, and too few touches for a study of that place."""
    return len(touches) < LEAST_REPEATS and _mean_place(touches) is not None


def _mean_place(touches: Sequence[Touch]) -> Point | None:
    """Where a point was touched, in the mean of its touches (mm); None where the log does not say."""
    places = [(touch.x, touch.y) for touch in touches if touch.x is not None and touch.y is not None]
    if not places:
        return None
    return float(sum(x for x, _ in places) / len(places)), float(sum(y for _, y in places) / len(places))


def _ring(artefact: str, circle: Circle, places: Sequence[Point]) -> Entry:
    points, range_um = len(circle.radial), circle.radial_range * UM_PER_MM
    few = "" if points >= USUAL_POINTS else f"; {USUAL_POINTS} points are usual"
    words = f"2D error {range_um:.1f} um: range of the distances from the least-squares centre, {points} points{few}"
    return {
        "artefact": artefact,
        "points": points,
        "x_mm": circle.x,
        "y_mm": circle.y,
        "diameter_mm": circle.diameter,
        "range_um": range_um,
        "sd_um": circle.residual_sd * UM_PER_MM,
        "angles_deg": [atan2(y - circle.y, x - circle.x) * 180 / pi for x, y in places],
        "radial_um": [one * UM_PER_MM for one in circle.radial],
        "words": words,
    }


def _features(
    configuration: Configuration,
    machine: Machine,
    measured: Directions | None,
    bias: Mapping[str, Entry | None],
    form_um: float | None,
) -> list[Entry]:
    believed = machine if measured is None else replace(machine, repeatability_mm=_exact_mm(measured))
    worst_bias = max((abs(entry["mean_error_um"]) for entry in bias.values() if entry is not None), default=None)
    return [
        _feature(configuration, believed, feature, _Found(measured, worst_bias, form_um))
        for plan in configuration.plans.values()
        if plan.machines is None or machine.name in plan.machines
        for feature in plan.features.values()
        if feature.unit == "mm"
    ]


def _reclamped(configuration: Configuration, again: Sequence[Again]) -> Iterator[Entry]:
    """Gauge studies of parts that were clamped and probed again: repeatability here holds the clamping too."""
    features = {feature.key: feature for plan in configuration.plans.values() for feature in plan.features.values()}
    for key in dict.fromkeys(one.feature for one in again):
        feature = features.get(key)
        trials = _newest_trials([one for one in again if one.feature == key])
        if feature is None or feature.unit != "mm" or len(trials) < LEAST_RECLAMPED:
            continue
        often = min(len(values) for values in trials.values())
        table = {"re-clamping": {part: values[-often:] for part, values in trials.items()}}
        yield _gauge(feature, often, by_ranges(table), by_anova(table))


def _newest_trials(again: Sequence[Again]) -> dict[str, list[float]]:
    """By part the readings of its newest run; numbers that come again after a pause belong to another part."""
    runs: dict[str, tuple[int, list[float]]] = {}
    for one in again:
        at_us, values = runs.get(one.part, (one.at_us, []))
        values = [] if one.at_us - at_us > RECLAMP_PAUSE_US else values
        runs[one.part] = (one.at_us, [*values, one.deviation_um])
    return {part: values for part, (_, values) in runs.items() if len(values) > 1}


def _gauge(feature: Feature, often: int, *found: GaugeStudy) -> Entry:
    width_um = tolerance_of(feature).width
    return {
        "feature": feature.key,
        "trials": often,
        "methods": [
            {
                "method": one.method,
                "ev_um": one.ev,
                "grr_um": one.grr,
                "pv_um": one.pv,
                "tv_um": one.tv,
                "share_of_variation": one.share_of_variation("grr"),
                "share_of_tolerance": one.share_of_tolerance("grr", width_um),
                "ndc": None if isinf(one.ndc) else one.ndc,
                "words": one.verdict(width_um),
            }
            for one in found
        ],
    }


class _Found(NamedTuple):
    """What the study adds to what the configuration knows."""

    measured: Directions | None
    bias_um: float | None
    form_um: float | None

    @property
    def step_um(self) -> float:
        return 0.0 if self.measured is None else next(iter(self.measured.each.values())).resolution_um


def _feature(
    configuration: Configuration,
    machine: Machine,
    feature: Feature,
    found: "_Found",
) -> Entry:
    cte = configuration.plans[feature.plan].cte_per_k
    known = known_of(feature, machine, configuration.artefacts.values(), cte)
    degrees = 0 if found.measured is None else found.measured.degrees
    known = replace(
        known,
        repeat_degrees=degrees,
        resolution_um=found.step_um,
        bias_um=found.bias_um,
        form_um=found.form_um,
    )
    budget = feature_budget(known)
    if known.repeat_sd_um is None:
        return {"feature": feature.key, "budget": budget.table(), "open": missing(known), "verdict": None}
    tolerance = tolerance_of(feature)
    noise_um = priors_for(Group(machine=machine.name, registers=(), features=(feature,)), machine).noise_um
    verdict = feature_verdict(feature.key, tolerance, budget, noise_um)
    return {
        **verdict.entry(),
        "budget": budget.table(),
        "open": missing(known),
        "measurement_capability": _capability_of_measuring(known, budget.combined, tolerance),
    }


def _capability_of_measuring(known: Known, u_mp_um: float, tolerance: Tolerance) -> Entry:
    u_ms = measuring_system_um(
        calibration_um=(known.calibration_um or 0.0) / 2,
        repeat_um=known.repeat_sd_um or 0.0,
        resolution_um=known.resolution_um,
        bias_um=known.bias_um or 0.0,
    )
    found = MeasurementCapability(u_ms_um=u_ms, u_mp_um=max(u_mp_um, u_ms), tolerance_um=tolerance.width)
    return {
        "standard": "ISO 22514-7",
        "u_ms_um": found.u_ms_um,
        "u_mp_um": found.u_mp_um,
        "q_ms": found.q_ms,
        "q_mp": found.q_mp,
        "c_ms": None if isinf(found.c_ms) else found.c_ms,
        "c_mp": None if isinf(found.c_mp) else found.c_mp,
        "is_capable": found.is_capable,
    }


def tolerance_of(feature: Feature) -> Tolerance:
    """The feature's limits in micrometres, as deviations from nominal."""
    return Tolerance(lower=float(feature.lower) * UM_PER_MM, upper=float(feature.upper) * UM_PER_MM)


def _exact_mm(measured: Directions) -> Decimal:
    """The measured standard deviation as it is stated in cell.toml: two figures, rounded up, in mm."""
    worst = max(found.standard_uncertainty_um for found in measured.each.values())
    believed = worst if not measured.are_alike else max(measured.pooled_sd_um, _least_um(measured))
    return rounded_up(believed) / 1000


def _least_um(measured: Directions) -> float:
    return float(next(iter(measured.each.values())).resolution_um / 12**0.5)


def _stated_otherwise(machine: Machine, measured: Directions | None) -> Iterator[str]:
    """What cell.toml states is not what was measured: the interval of 95 % does not hold it."""
    if measured is None or machine.repeatability_mm is None:
        return
    stated_um = float(machine.repeatability_mm) * UM_PER_MM
    found = spread_interval(measured.pooled_sd_um, measured.degrees)
    if not found.low <= stated_um <= max(found.high, float(_exact_mm(measured)) * UM_PER_MM):
        yield (
            f"cell.toml states a repeatability of {stated_um:.2f} um; the study found {found.value:.2f} um"
            f" ({found.low:.2f} to {found.high:.2f} um, 95 %): state what was measured"
        )


def _suggested(machine: Machine, measured: Directions | None) -> Entry | None:
    """The line for cell.toml by which the measured noise becomes the trend's prior."""
    if measured is None:
        return None
    value = _exact_mm(measured)
    unit = "in" if machine.unit == "inch" else "mm"
    stated = plain(rounded_up(float(from_mm(value, machine.unit))))
    return {
        "table": f"machine.{machine.name}",
        "line": f'repeatability = "{stated} {unit}"',
        "stated_mm": None if machine.repeatability_mm is None else plain(machine.repeatability_mm),
    }
