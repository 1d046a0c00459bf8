"""What the process is capable of, feature by feature, on the stretches in which nothing was changed."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from feedback.configuration.facts import Configuration, Feature, Machine
from feedback.configuration.groups import groups
from feedback.follow import UM_PER_MM, Follower, Moment
from feedback.ledger import recent
from feedback.metrology.capability import ProcessCapability, process_capability
from feedback.metrology.conformity import Tolerance
from feedback.metrology.inconclusive import InconclusiveError
from feedback.metrology.scatter import Interval
from feedback.metrology.stretches import Stretch, stable_stretches
from feedback.registers import Register

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql
    from feedback.trend.tracker import Outlooks

PARTS: Final = 500  # looked at where nobody says how many
STRETCHES_TOLD: Final = 20


def capability_of(configuration: Configuration, machine: Machine, sql: "Sql", parts: int = PARTS) -> dict[str, Any]:
    """Every feature's capability over the newest `parts` parts of its group; lengths in um (angles in mdeg).

    A correction, a new tool or a sudden change of any register that moves the feature begins a new stretch.
    """
    features = []
    for group in groups(configuration, machine.name):
        keys = [feature.key for feature in group.features]
        follower = Follower(group, machine)
        progress = follower.advance(recent.since(sql, machine.name, keys, None, parts).of(group))
        changes = _changes(group.registers, progress.moments, progress.outlooks)
        for feature in group.features:
            own = {part: words for register in feature.moves for part, words in changes.get(register, {}).items()}
            features.append(_feature(feature, progress.moments, own))
    return {"machine": machine.name, "parts": parts, "features": sorted(features, key=lambda one: str(one["feature"]))}


def _changes(
    registers: Sequence[Register], moments: Sequence[Moment], outlooks: "Outlooks | None"
) -> dict[Register, dict[int, str]]:
    """Of each register: the first part after every change of it, and what it was."""
    found: dict[Register, dict[int, str]] = {register: {} for register in registers}
    for k, moment in enumerate(moments):
        for change in moment.changes:
            found[change.register][k] = f"{change.register} {change.old:f} -> {change.new:f}"
        for register in registers:
            if moment.tracks[register].parts_since_new_tool == 1:
                found[register][k] = f"new tool {register.tool}"
    if outlooks is not None:
        for k, r in zip(*outlooks.jumped.nonzero(), strict=True):
            began = max(0, int(k) - int(outlooks.jump_age[k, r]))
            found[registers[r]].setdefault(began, f"sudden change of {registers[r]}")
    return found


def _feature(feature: Feature, moments: Sequence[Moment], changes: Mapping[int, str]) -> dict[str, Any]:
    values = [moment.seen.deviations.get(feature.key, math.nan) for moment in moments]
    names = [moment.seen.part for moment in moments]
    tolerance = Tolerance(lower=float(feature.lower) * UM_PER_MM, upper=float(feature.upper) * UM_PER_MM)
    stretches = stable_stretches(values, changes, names=names)
    return {
        "feature": feature.key,
        "name": feature.name or feature.kind,
        "unit": "um" if feature.unit == "mm" else "mdeg",
        "lower": tolerance.lower,
        "upper": tolerance.upper,
        "readings": sum(not math.isnan(value) for value in values),
        "stretches": list(_told(stretches[-STRETCHES_TOLD:], changes)),
        **_believed(values, stretches, tolerance),
    }


def _told(stretches: Sequence[Stretch], changes: Mapping[int, str]) -> Iterator[dict[str, Any]]:
    for stretch in stretches:
        begins = [part for part in changes if part <= stretch.parts[0]]
        yield {
            "from": stretch.names[0],
            "to": stretch.names[1],
            "parts": len(stretch.parts),
            "begins_with": changes[max(begins)] if begins else None,
            "slope_per_part": round(stretch.slope_um, 4),
            "sd": round(stretch.sd_um, 4),
            "stable": stretch.is_stable,
            "words": stretch.words,
        }


def _believed(values: Sequence[float], stretches: Sequence[Stretch], tolerance: Tolerance) -> dict[str, Any]:
    if all(math.isnan(value) for value in values):
        words = "no reading to judge by: none was taken, or all are in doubt (`trueup probe` says since when)"
        return {"capability": None, "words": [words]}
    return _judged(values, stretches, tolerance)


def _judged(values: Sequence[float], stretches: Sequence[Stretch], tolerance: Tolerance) -> dict[str, Any]:
    try:
        found = process_capability(values, stretches, tolerance)
    except InconclusiveError as why:
        return {"capability": None, "words": [str(why)]}
    return {"capability": _indices(found), "words": list(found.words)}


def _indices(found: ProcessCapability) -> dict[str, Any]:
    return {
        "parts": found.n,
        "stable_stretches": found.stretches,
        "mean": round(found.mean_um, 4),
        "trend_compensated_sd": round(found.trend_compensated_sd_um, 4),
        "total_sd": round(found.total_sd_um, 4),
        **{name: _interval(getattr(found, name)) for name in ("cp", "cpk", "pp", "ppk")},
    }


def _interval(index: Interval | None) -> dict[str, float] | None:
    """JSON has no infinity: without scatter there is no index."""
    if index is None or math.isinf(index.value):
        return None
    low, high = round(index.low, 4), round(index.high, 4)
    return {"value": round(index.value, 4), "low": low, "high": high, "confidence": index.confidence}
