"""How uncertain one reading of a feature is, from what the configuration states, and the guard bands that follow. Pure.

Without the probe's repeatability or without a certified artefact the uncertainty is not known but only guessed too
small: it and the guard are then zero, and the bare limits of the tolerance hold.
"""

from collections.abc import Iterable
from dataclasses import replace
from decimal import Decimal
from typing import Final

from feedback.configuration.facts import Artefact, Configuration, Feature, Group, Guard, Machine
from feedback.metrology.budget import Budget, Known, feature_budget
from feedback.metrology.conformity import guard_factor
from feedback.metrology.temperature import REFERENCE_C, Warmth, WarmthUncertainty, expansion_uncertainty

UM_PER_MM: Final = 1000
USUAL_SPAN_K: Final = 5.0  # how far from 20 degC parts usually are, where no temperature is set (common practice)


def known_of(feature: Feature, machine: Machine, artefacts: Iterable[Artefact], part_cte: Decimal | None) -> Known:
    """What the configuration knows about the readings of one feature: repeatability, artefact, warmth.

    Of several artefacts for the machine the least certain counts.
    """
    own = [artefact.uncertainty_mm for artefact in artefacts if artefact.is_for(machine.name)]
    return Known(
        calibration_um=float(max(own)) * UM_PER_MM if own else None,
        repeat_sd_um=None if machine.repeatability_mm is None else float(machine.repeatability_mm) * UM_PER_MM,
        warmth=None if part_cte is None else _warmth(feature, machine, part_cte),
    )


def reading_budget(configuration: Configuration, machine: Machine, feature: Feature) -> Budget:
    """The uncertainty budget of one reading of this feature, in micrometres, from the configuration alone."""
    cte = configuration.plans[feature.plan].cte_per_k
    return feature_budget(known_of(feature, machine, configuration.artefacts.values(), cte))


def guarded(group: Group, configuration: Configuration) -> Group:
    """The group with the standard uncertainty and the guard band of each of its features."""
    machine = configuration.machines[group.machine]
    is_traced = any(artefact.is_for(machine.name) for artefact in configuration.artefacts.values())
    if machine.repeatability_mm is None or not is_traced:
        return group
    return replace(group, guards={f.key: _guard(configuration, machine, f) for f in group.features if f.unit == "mm"})


def _guard(configuration: Configuration, machine: Machine, feature: Feature) -> Guard:
    """ISO 14253-1: 95 % at the limit. A tolerance too narrow to prove anything keeps its bare limits."""
    u_um = reading_budget(configuration, machine, feature).combined
    factor = guard_factor(float(feature.upper - feature.lower) * UM_PER_MM / u_um)
    return Guard(u_um=u_um, band_um=0.0 if factor is None else factor * u_um)


def _warmth(feature: Feature, machine: Machine, part_cte: Decimal) -> WarmthUncertainty:
    at_c = float(machine.temperature) if isinstance(machine.temperature, Decimal) else REFERENCE_C + USUAL_SPAN_K
    scale = machine.scale_cte_per_k
    warmth = Warmth(
        part_cte=float(part_cte),
        part_c=at_c,
        scale_cte=0.0 if scale is None else float(scale),
        scale_c=REFERENCE_C if scale is None else at_c,
    )
    return expansion_uncertainty(abs(float(feature.expands_mm)) * UM_PER_MM, warmth)
