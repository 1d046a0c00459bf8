"""Turns one file of parts/ into a plan."""

from collections.abc import Collection, Iterable
from decimal import Decimal
from pathlib import Path
from typing import Any

from feedback.configuration.facts import Feature, Plan
from feedback.configuration.faults import Report, checked
from feedback.configuration.iso286 import limit_deviations
from feedback.configuration.locate import Place
from feedback.configuration.models import FeatureTable, PlanTable, Stated
from feedback.configuration.sensitivity import EXTERNAL, INTERNAL, RefusedError, is_inside, moves_of
from feedback.configuration.suggest import did_you_mean, listed
from feedback.configuration.tables import expansion, refuse_twins
from feedback.registers import Register
from feedback.units import Unit, plain

_SIZES = frozenset({"bore", "boss", "pocket", "web", "depth", "diameter", "drilled"})


def plan_of(document: dict[str, Any], path: Path, machines: Collection[str] | None, report: Report) -> Plan | None:
    """The plan in `document`; None when its head is at fault. A feature at fault is left out, all faults reported.

    `machines` are those of the cell; None when they are not known, because cell.toml is at fault.
    """
    head = checked(document, PlanTable, (), report)
    tables = _feature_tables(document.get("feature"), report)
    if head is None:
        return None
    _check_machines(head.machines, machines, report)
    if not head.feature:
        report(("feature",), "found no feature; wanted at least one table [[feature]]")
    by_id = _by_id(tables, report)
    features = {
        table.id: _feature(table, head, by_id, ("feature", index), report)
        for index, table in tables.items()
        if by_id[table.id] is table
    }
    return Plan(
        part=head.part,
        path=path,
        cte_per_k=expansion(head.material, head.cte, (), report),
        probed_in=head.probed_in,
        features={key: feature for key, feature in features.items() if feature is not None},
        machines=head.machines,
    )


def registers_of(plans: Iterable[Plan], machine: str) -> frozenset[Register]:
    """The registers that some feature of the plans for `machine` tells about."""
    features = [feature for plan in plans_for(plans, machine) for feature in plan.features.values()]
    return frozenset(moved for feature in features for moved in feature.moves)


def plans_for(plans: Iterable[Plan], machine: str) -> list[Plan]:
    """The plans that apply to `machine`, in their order."""
    return [plan for plan in plans if plan.machines is None or machine in plan.machines]


def _feature_tables(found: object, report: Report) -> dict[int, FeatureTable]:
    """The good feature tables by their place in the file."""
    if not isinstance(found, list):
        return {}
    tables = {index: checked(table, FeatureTable, ("feature", index), report) for index, table in enumerate(found)}
    return {index: table for index, table in tables.items() if table is not None}


def _by_id(tables: dict[int, FeatureTable], report: Report) -> dict[str, FeatureTable]:
    by_id: dict[str, FeatureTable] = {}
    places: dict[str, Place] = {}
    for index, table in tables.items():
        if by_id.setdefault(table.id, table) is not table:
            report(("feature", index, "id"), f"found {table.id!r} a second time; wanted each feature of a plan once")
        places.setdefault(table.id, ("feature", index, "id"))
    refuse_twins(by_id, places.__getitem__, report)
    return by_id


def _check_machines(stated: tuple[str, ...] | None, known: Collection[str] | None, report: Report) -> None:
    for machine in stated or ():
        if known is not None and machine not in known:
            hint = did_you_mean(machine, known)
            report(("machines",), f"found {machine!r}; wanted machines of cell.toml: {listed(known)}{hint}")


def _feature(
    table: FeatureTable, head: PlanTable, by_id: dict[str, FeatureTable], place: Place, report: Report
) -> Feature | None:
    try:
        _refuse_bad_nominal(table)
        lower, upper = _tolerance(table)
    except RefusedError as refusal:
        report((*place, refusal.key), str(refusal))
        lower = upper = Decimal(0)
    try:
        moves = moves_of(table, head.probed_in, by_id)
        inside = is_inside(table)
    except RefusedError as refusal:
        report((*place, refusal.key), str(refusal))
        return None
    return Feature(
        plan=head.part,
        id=table.id,
        name=table.name or table.id,
        kind=table.kind,
        unit=_unit(table),
        nominal=table.nominal.value,
        lower=lower,
        upper=upper,
        tool=table.tool,
        moves=moves,
        is_inside=inside,
        expands_mm=_expanding_mm(table),
    )


def _expanding_mm(table: FeatureTable) -> Decimal:
    """A size, or the distance from the zero that the part is clamped at; a datum says where the part is, not its size.

    A stated length counts along the side on which the nominal lies.
    """
    if table.kind == "angle" or (table.role == "datum" and table.expands is None):
        return Decimal(0)
    if table.expands is None:
        return table.nominal.value
    return -table.expands.value if table.nominal.value < 0 else table.expands.value


def _unit(table: FeatureTable) -> Unit:
    return "deg" if table.kind == "angle" else "mm"


def _refuse_bad_nominal(table: FeatureTable) -> None:
    _refuse_other_unit(table, table.nominal, "nominal")
    if table.kind in _SIZES and table.nominal.value <= 0:
        raise RefusedError(
            "nominal", f"found {plain(table.nominal.value)}; wanted the size of this {table.kind}, more than zero"
        )


def _refuse_other_unit(table: FeatureTable, stated: Stated, key: str) -> None:
    if (stated.quantity.kind == "angle") != (table.kind == "angle"):
        wanted = 'an angle such as "0 deg"' if table.kind == "angle" else 'a length such as "25 mm"'
        found = "an angle" if stated.quantity.kind == "angle" else "a length"
        raise RefusedError(key, f"found {found}; wanted {wanted}")


def _tolerance(table: FeatureTable) -> tuple[Decimal, Decimal]:
    """Lower and upper limit deviation in mm or degrees."""
    if isinstance(table.tolerance, str):
        return _class_deviations(table, table.tolerance)
    lower, upper = table.tolerance
    _refuse_other_unit(table, lower, "tolerance")
    _refuse_other_unit(table, upper, "tolerance")
    if lower.value >= upper.value:
        raise RefusedError(
            "tolerance", f"found lower {plain(lower.value)} and upper {plain(upper.value)}; wanted lower below upper"
        )
    return lower.value, upper.value


def _class_deviations(table: FeatureTable, name: str) -> tuple[Decimal, Decimal]:
    kinds = INTERNAL if name[0].isupper() else EXTERNAL
    if table.kind not in INTERNAL | EXTERNAL:
        raise RefusedError("tolerance", f"found {name!r}; a {table.kind} has no ISO 286 class; state the limits")
    if table.kind not in kinds:
        letter = "upper case (holes)" if table.kind in INTERNAL else "lower case (shafts)"
        raise RefusedError("tolerance", f"found {name!r}; the class of a {table.kind} is written in {letter}")
    if table.nominal.in_inches:
        raise RefusedError(
            "tolerance", f"found {name!r} on a size in inches; ISO 286 steps are in mm; state the limits instead"
        )
    try:
        return limit_deviations(table.nominal.value, name)
    except ValueError as error:
        raise RefusedError("tolerance", str(error)) from None
