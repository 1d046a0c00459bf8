"""What a sound configuration can and cannot do, said before the first part is cut."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from decimal import Decimal
from typing import Any, Final

from feedback.configuration.facts import NO_GUARD, Artefact, Configuration, Feature, Group, Guard, Machine
from feedback.configuration.groups import groups
from feedback.configuration.plans import plans_for, registers_of
from feedback.configuration.signatures import (
    indistinct,
    like_the_probe,
    like_warm_up,
    rank,
    separating_feature,
)
from feedback.configuration.words import (
    PER_UNIT,
    amount,
    from_um,
    limit_facts,
    machine_facts,
    probe_facts,
    setter_facts,
    share,
    tells,
)
from feedback.registers import Register
from rules.limits import Limits

MOST_OF_TOLERANCE: Final = Decimal("0.3")  # usual ceiling for six standard deviations of the probe (practice)
SPREAD: Final = 6
USUAL_RATIO: Final = 3  # of a limit to the uncertainty of what it is checked with (practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class FeatureReport:
    """What one feature tells; `tells` is empty when no register moves it."""

    key: str
    name: str
    kind: str
    tells: tuple[str, ...]
    judged: str = ""  # how surely its readings are judged; empty where their uncertainty is not known


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupReport:
    """One coupling group: `rank` below the number of registers means that some cannot be told apart."""

    registers: tuple[str, ...]
    features: tuple[str, ...]
    rank: int
    indistinct: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterReport:
    """One register: the features that tell about it, and the limits in force."""

    register: str
    features: tuple[str, ...]
    limits: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineReport:
    """One machine: its facts in words, what its plans can tell, and what somebody should think about."""

    machine: str
    facts: tuple[str, ...]
    features: tuple[FeatureReport, ...]
    groups: tuple[GroupReport, ...]
    registers: tuple[RegisterReport, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """The whole answer of `trueup check`."""

    cell: str
    machines: tuple[MachineReport, ...]
    warnings: tuple[str, ...]

    @property
    def has_warnings(self) -> bool:
        """Somebody should look before the first part is cut."""
        return bool(self.warnings) or any(machine.warnings for machine in self.machines)

    def as_json(self) -> dict[str, Any]:
        """The same as plain dicts, lists and strings."""
        return {"schema": "trueup/1", **asdict(self)}

    def lines(self) -> list[str]:
        """The same as plain text, one line each."""
        lines = [f"cell {self.cell}", *(f"  look: {warning}" for warning in self.warnings)]
        for machine in self.machines:
            lines += _machine_lines(machine)
        return lines


def report(configuration: Configuration) -> CheckReport:
    """What `configuration` can tell, cannot tell apart, and allows, machine by machine."""
    return CheckReport(
        cell=configuration.name,
        machines=tuple(_machine_report(configuration, machine) for machine in configuration.machines.values()),
        warnings=tuple(_cell_warnings(configuration)),
    )


def _machine_lines(machine: MachineReport) -> Iterator[str]:
    yield f"machine {machine.machine}"
    yield from (f"  {fact}" for fact in machine.facts)
    for feature in machine.features:
        yield f"  feature {feature.key} {feature.name} ({feature.kind})"
        yield from (f"    {told}" for told in feature.tells or ("no register moves it: it is only watched",))
        if feature.judged:
            yield f"    {feature.judged}"
    for register in machine.registers:
        limits = ", ".join(f"{key} {value}" for key, value in register.limits.items())
        yield f"  register {register.register}, told by {', '.join(register.features)}"
        yield f"    {limits}"
    yield from (f"  look: {warning}" for warning in machine.warnings)


def _cell_warnings(configuration: Configuration) -> Iterator[str]:
    if not configuration.plans:
        yield "there is no plan in parts/: no reading can be understood"
    if not configuration.artefacts:
        yield "there is no artefact: without checks on a certified size, a probe that drifts looks like wear"
    if not any("review" in person.may for person in configuration.people.values()):
        yield 'nobody may review: proposals can be read, but not accepted; add a [person.*] with may = ["review"]'


def _machine_report(configuration: Configuration, machine: Machine) -> MachineReport:
    plans = plans_for(configuration.plans.values(), machine.name)
    features = [feature for plan in plans for feature in plan.features.values()]
    registers = sorted(registers_of(plans, machine.name))
    coupled = groups(configuration, machine.name)
    limits = {register: configuration.limits.for_register(machine.name, register) for register in registers}
    artefacts = [artefact for artefact in configuration.artefacts.values() if artefact.is_for(machine.name)]
    warnings = [
        *(warning for group in coupled for warning in _group_warnings(group)),
        *_common_mode_warnings(features, registers, has_artefact=bool(configuration.artefacts)),
        *(warning for feature in features for warning in _feature_warnings(feature, machine, limits)),
        *(warning for feature in features for warning in _guard_warnings(feature, _guard(feature, coupled))),
        *(warning for register in registers for warning in _step_warnings(register, machine, limits[register])),
        *_setter_warnings(machine),
        *(warning for artefact in artefacts for warning in _artefact_warnings(artefact, machine)),
    ]
    return MachineReport(
        machine=machine.name,
        facts=(*machine_facts(machine), *probe_facts(machine, artefacts), setter_facts(machine, registers)),
        features=tuple(_feature_report(feature, machine, _guard(feature, coupled)) for feature in features),
        groups=tuple(_group_report(group) for group in coupled),
        registers=tuple(_register_report(register, features, machine, limits[register]) for register in registers),
        warnings=tuple(warnings),
    )


def _feature_report(feature: Feature, machine: Machine, guard: Guard) -> FeatureReport:
    told = tuple(tells(feature, register, machine.unit) for register in feature.moves)
    judged = ""
    if guard.band_um:
        u, band = (from_um(value, "mm", machine.unit) for value in (guard.u_um, guard.band_um))
        judged = f"its readings have a standard uncertainty of {u}: nearer than {band} to a limit they prove nothing"
    return FeatureReport(key=feature.key, name=feature.name, kind=feature.kind, tells=told, judged=judged)


def _guard(feature: Feature, coupled: Iterable[Group]) -> Guard:
    return next((group.guard(feature) for group in coupled if feature.key in group.guards), NO_GUARD)


def _guard_warnings(feature: Feature, guard: Guard) -> Iterator[str]:
    if guard.u_um and not guard.band_um:
        times = f"{float(feature.upper - feature.lower) * float(PER_UNIT) / guard.u_um:.1f} standard uncertainties"
        yield f"feature {feature.key}: its tolerance is {times} wide; below 3.9 no reading can prove a part good"


def _group_report(group: Group) -> GroupReport:
    return GroupReport(
        registers=tuple(map(str, group.registers)),
        features=tuple(feature.key for feature in group.features),
        rank=rank(group.features, group.registers),
        indistinct=tuple(tuple(map(str, some)) for some in indistinct(group.features, group.registers)),
    )


def _register_report(
    register: Register, features: Sequence[Feature], machine: Machine, limits: Limits
) -> RegisterReport:
    return RegisterReport(
        register=str(register),
        features=tuple(feature.key for feature in features if register in feature.moves),
        limits=limit_facts(limits, register, machine.unit),
    )


def _group_warnings(group: Group) -> Iterator[str]:
    for some in indistinct(group.features, group.registers):
        yield f"{_cannot_be_told_apart(some)}; add {_separating(some)}"
    if not indistinct(group.features, group.registers):
        yield from _plan_warnings(group)
    for register in group.registers:
        moved = [feature for feature in group.features if register in feature.moves]
        if len(moved) == 1:
            yield f"{register} rests on feature {moved[0].key} alone: whatever is wrong with that feature looks like it"


def _plan_warnings(group: Group) -> Iterator[str]:
    """Registers that one plan alone cannot separate, though all plans together can."""
    for plan in dict.fromkeys(feature.plan for feature in group.features):
        features = [feature for feature in group.features if feature.plan == plan]
        registers = [register for register in group.registers if any(register in f.moves for f in features)]
        for some in indistinct(features, registers):
            yield f"on plan {plan} alone, {_cannot_be_told_apart(some)}; add {_separating(some)} to it"


def _cannot_be_told_apart(registers: Sequence[Register]) -> str:
    *most, last = map(str, registers)
    return f"{', '.join(most)} and {last} cannot be told apart: no feature moves with one and not with the other"


def _separating(registers: Sequence[Register]) -> str:
    return " or ".join(separating_feature(register) for register in registers)


def _common_mode_warnings(
    features: Sequence[Feature], registers: Sequence[Register], *, has_artefact: bool
) -> Iterator[str]:
    probe = like_the_probe(features, registers)
    if probe is not None and not has_artefact:
        yield (
            f"a probe that reads all sizes wrong looks exactly like {probe}; add a size cut by another tool,"
            " or check a certified ring"
        )
    warm = like_warm_up(registers)
    if warm is not None:
        yield (
            f"a machine growing in Z while it warms up looks exactly like {warm}; add a floor cut by another tool,"
            " or a datum position along Z"
        )


def _feature_warnings(feature: Feature, machine: Machine, limits: dict[Register, Limits]) -> Iterator[str]:
    half = (feature.upper - feature.lower) / 2
    spread = machine.repeatability_mm if feature.unit == "mm" else None
    if spread is not None and SPREAD * spread > MOST_OF_TOLERANCE * 2 * half:
        taken = share(round(float(SPREAD * spread / half / 2), 2))
        usual = share(float(MOST_OF_TOLERANCE))
        words = f"six standard deviations of the probe take {taken} of the tolerance"
        yield f"feature {feature.key}: {words}; usual is {usual} at most"
    for register, sensitivity in feature.moves.items():
        band = half * Decimal(repr(limits[register].band))
        words = f"more than its band of {amount(band, feature.unit, machine.unit)}; widen the band"
        moved = machine.increment(register) * abs(sensitivity.numerator) / sensitivity.denominator
        if moved > band:
            by = amount(moved, feature.unit, machine.unit)
            yield f"feature {feature.key}: one step of {register} moves it by {by}, {words}"
        if spread is not None and spread > band:
            by = amount(spread, feature.unit, machine.unit)
            yield f"feature {feature.key}: the probe scatters by {by}, {words}"
        if half * PER_UNIT > Decimal(repr(limits[register].implausible_um)):
            yield f"feature {feature.key}: {_implausible(feature, register, limits[register], machine)}"


def _implausible(feature: Feature, register: Register, limits: Limits, machine: Machine) -> str:
    return (
        f"its tolerance reaches past what {register} calls implausible,"
        f" {from_um(limits.implausible_um, feature.unit, machine.unit)}: good parts would be stopped"
    )


def _artefact_warnings(artefact: Artefact, machine: Machine) -> Iterator[str]:
    if artefact.uncertainty_mm * USUAL_RATIO > artefact.error_limit_mm:
        unsure, limit = (amount(mm, "mm", machine.unit) for mm in (artefact.uncertainty_mm, artefact.error_limit_mm))
        yield (
            f"{artefact.name} is certified to {unsure}, more than a third of its error_limit of {limit}:"
            " a good probe may fail on it, or a bad one pass"
        )
    if artefact.due_s is None and artefact.due_parts is None:
        yield f'{artefact.name} states no due: a check that is forgotten is never missed; state due = "8 h" or in parts'


def _setter_warnings(machine: Machine) -> Iterator[str]:
    if machine.setter_mm is not None and machine.break_limit_mm < SPREAD * machine.setter_mm:
        least = amount(SPREAD * machine.setter_mm, "mm", machine.unit)
        found = amount(machine.break_limit_mm, "mm", machine.unit)
        scatter = f"{SPREAD} standard deviations of the tool setter, {least}"
        yield f"break_limit is {found}, less than {scatter}: good tools would be stopped; raise it"


def _step_warnings(register: Register, machine: Machine, limits: Limits) -> Iterator[str]:
    if Decimal(repr(limits.step_um)) < machine.increment(register) * PER_UNIT:
        most = from_um(limits.step_um, register.unit, machine.unit)
        least = amount(machine.increment(register), register.unit, machine.unit)
        yield f"{register} may move by {most} at most, less than its least step of {least}: it will never be proposed"
