"""Registers and features that must be looked at together, because some reading depends on both."""

from collections.abc import Iterable

from feedback.configuration.facts import Configuration, Feature, Group
from feedback.configuration.plans import plans_for
from feedback.configuration.suggest import did_you_mean, listed
from feedback.errors import UsageError
from feedback.registers import Register
from feedback.uncertainty import guarded


def groups(configuration: Configuration, machine: str) -> tuple[Group, ...]:
    """The coupling groups of one machine: connected parts of the register-feature graph over all its plans.

    Registers are sorted, features stand in plan order. Groups come in the order of their first register; features that
    no register moves follow, each as a group of its own. Raises UsageError for an unknown machine.
    """
    if machine not in configuration.machines:
        known = configuration.machines
        raise UsageError(f"found machine {machine!r}; wanted one of {listed(known)}{did_you_mean(machine, known)}")
    plans = plans_for(configuration.plans.values(), machine)
    features = [feature for plan in plans for feature in plan.features.values()]
    coupled = [
        _group(machine, registers, [feature for feature in features if not registers.isdisjoint(feature.moves)])
        for registers in _coupled(frozenset(feature.moves) for feature in features if feature.moves)
    ]
    unmoved = [_group(machine, frozenset(), [feature]) for feature in features if not feature.moves]
    found = sorted(coupled, key=lambda group: group.registers) + unmoved
    return tuple(guarded(group, configuration) for group in found)


def _coupled(sets: Iterable[frozenset[Register]]) -> list[frozenset[Register]]:
    """The given sets, merged wherever they overlap."""
    merged: list[frozenset[Register]] = []
    for registers in sets:
        touching = [other for other in merged if other & registers]
        merged = [other for other in merged if not other & registers]
        merged.append(registers.union(*touching))
    return merged


def _group(machine: str, registers: Iterable[Register], features: Iterable[Feature]) -> Group:
    return Group(machine=machine, registers=tuple(sorted(registers)), features=tuple(features))
