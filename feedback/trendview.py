"""Gathers the picture of one register: what its features read, what the filter made of it, what a proposal would do."""

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from feedback.answers import page_unit
from feedback.configuration.facts import Configuration, Group, Machine
from feedback.configuration.groups import groups
from feedback.configuration.words import amount
from feedback.errors import UsageError
from feedback.follow import UM_PER_MM, Follower, Moment
from feedback.inches import UM_PER_INCH
from feedback.ledger import recent
from feedback.picture import Mark, Panel, PanelUnit
from feedback.registers import Register
from feedback.snippets.entry import on_page
from rules.limits import Limits

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql
    from feedback.trend.tracker import Outlooks

WARM_UP_PARTS = 60  # followed before the first part shown, so that the shown level is not still finding its way
SHOWN_PARTS = 60


def trend_view(
    configuration: Configuration,
    sql: "Sql",
    machine: str,
    register: Register,
    proposal: Mapping[str, Any] | None = None,
    parts: int = SHOWN_PARTS,
) -> tuple[list[Panel], list[Mark]]:
    """A panel for each feature of `register` over its newest `parts` parts, and the register's changes among them.

    UsageError when no plan looks at the register. `proposal` is a proposal's content.
    """
    group = _group_of(configuration, machine, register)
    own = configuration.machines[machine]
    follower = Follower(group, own)
    keys = [feature.key for feature in group.features]
    news = recent.since(sql, machine, keys, None, WARM_UP_PARTS + parts)
    progress = follower.advance(news.of(group))
    moments, outlooks = progress.moments[-parts:], progress.outlooks
    if outlooks is None:
        return [], []
    limits = configuration.limits.for_register(machine, register)
    shown = [i for i, feature in enumerate(group.features) if register in feature.moves]
    forecasts = {entry["id"]: entry for entry in (proposal or {}).get("features", ())}
    panels = [_panel(i, group, own, moments, outlooks[-parts:], limits, forecasts) for i in shown]
    return panels, _marks(moments, register, own)


def _group_of(configuration: Configuration, machine: str, register: Register) -> Group:
    for group in groups(configuration, machine):
        if register in group.registers:
            return group
    raise UsageError(f"no plan of {machine} looks at {register}; `trueup check` lists the registers that have features")


def _panel(
    i: int,
    group: Group,
    machine: Machine,
    moments: Sequence[Moment],
    outlooks: "Outlooks",
    limits: Limits,
    forecasts: Mapping[str, Mapping[str, Any]],
) -> Panel:
    feature = group.features[i]
    nominal = amount(feature.nominal, feature.unit, machine.unit)
    unit: PanelUnit = "mdeg" if feature.unit == "deg" else "in" if machine.unit == "inch" else "um"
    per_um = 1 / UM_PER_INCH if unit == "in" else 1.0
    lower, upper = (float(limit) * UM_PER_MM * per_um for limit in (feature.lower, feature.upper))
    target = (lower + upper) / 2
    known = outlooks.predict(0)
    forecast = forecasts.get(feature.id) or forecasts.get(feature.key) or {}
    return Panel(
        title=f"feature {feature.id}, {feature.name or feature.kind}: {nominal}",
        parts=[moment.seen.part for moment in moments],
        at_us=[moment.seen.at_us for moment in moments],
        doubts=["; ".join(moment.seen.doubts) for moment in moments],
        readings=[moment.seen.deviations.get(feature.key, math.nan) * per_um for moment in moments],
        wild=outlooks.wild[:, i].tolist(),
        level=(known.total_um[:, i] * per_um + target).tolist(),
        spread=(known.total_sd_um[:, i] * per_um).tolist(),
        lower=lower,
        upper=upper,
        band=limits.band * (upper - lower) / 2,
        guard=group.guard(feature).band_um * per_um,
        before=forecast.get(f"before_{feature.unit}", math.nan) * UM_PER_MM * per_um,
        after=forecast.get(f"after_{feature.unit}", math.nan) * UM_PER_MM * per_um,
        unit=unit,
    )


def _marks(moments: Sequence[Moment], register: Register, machine: Machine) -> list[Mark]:
    """What happened to the register, its values as the control's page shows them."""
    marks = []
    for index, moment in enumerate(moments):
        for change in moment.changes:
            if change.register == register:
                shown = on_page(register, machine, old=change.old, new=change.new)
                marks.append(Mark(index, f"{shown['old']} to {shown['new']} {page_unit(shown)}"))
        if moment.tracks[register].parts_since_new_tool == 1:
            marks.append(Mark(index, "new tool"))
    return marks
