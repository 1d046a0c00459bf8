"""Numbers of the configuration as a machinist reads them."""

from collections.abc import Iterable, Mapping
from decimal import Decimal
from fractions import Fraction

from feedback.configuration.facts import Artefact, Feature, Machine
from feedback.registers import Register
from feedback.units import LengthUnit, Unit, from_mm, plain
from rules.limits import Limits

PER_UNIT = 1000  # micrometres in a millimetre, millidegrees in a degree
_SIZES = ("bore", "boss", "pocket", "web", "depth", "diameter", "drilled")
# A deviation in round numbers, to show sign and size of its correction.
_SHOWN: Mapping[str, Decimal] = {"mm": Decimal("0.01"), "deg": Decimal("0.01"), "inch": Decimal("0.0127")}
_DECIMALS = {"mm": 4, "inch": 5, "deg": 4}


def amount(value: Decimal, unit: Unit, machine_unit: LengthUnit = "mm") -> str:
    """`value` (mm or degrees) with its unit, in inches for a machine that counts in them."""
    if unit == "deg":
        return f"{plain(round(value, _DECIMALS['deg']))} deg"
    shown = plain(round(from_mm(value, machine_unit), _DECIMALS[machine_unit]))
    return f"{shown} {'in' if machine_unit == 'inch' else 'mm'}"


def from_um(value: float, unit: Unit, machine_unit: LengthUnit = "mm") -> str:
    """The same from micrometres or millidegrees."""
    return amount(Decimal(repr(value)) / PER_UNIT, unit, machine_unit)


def share(value: float) -> str:
    return f"{plain(round(Decimal(repr(value)) * 100, 2))} %"


def tells(feature: Feature, register: Register, machine_unit: LengthUnit = "mm") -> str:
    """What a reading of `feature` asks of `register`: "reads 0.01 mm smaller -> lower tool 5 radius by 0.005 mm"."""
    sensitivity = feature.moves[register]
    deviation = _SHOWN["deg" if feature.unit == "deg" else machine_unit]
    change = Fraction(deviation) / abs(sensitivity)
    verb = "raise" if sensitivity > 0 else "lower"
    return (
        f"reads {amount(deviation, feature.unit, machine_unit)} {'smaller' if feature.kind in _SIZES else 'low'}"
        f" -> {verb} {register} by {amount(_decimal(change), register.unit, machine_unit)}"
    )


def _decimal(value: Fraction) -> Decimal:
    return Decimal(value.numerator) / Decimal(value.denominator)


def _parts(count: int) -> str:
    return "1 part" if count == 1 else f"{count} parts"


def machine_facts(machine: Machine) -> tuple[str, ...]:
    """The facts of a machine, one sentence each, as somebody standing at it can check them."""
    held = (
        "tool radius registers hold the radius"
        if machine.tool_radius == "radius"
        else "tool radius registers hold the diameter: a proposed radius change is written doubled"
    )
    spread = (
        "the probe's repeatability has not been stated"
        if machine.repeatability_mm is None
        else f"the probe repeats with a standard deviation of {amount(machine.repeatability_mm, 'mm', machine.unit)}"
    )
    parts = f"{_parts(machine.lag)} {'is' if machine.lag == 1 else 'are'}"
    return (
        f"logs are read from {', '.join(str(folder) for folder in machine.logs)} as {machine.layout}",
        f"bare numbers in its logs and registers are {machine.unit}",
        f"its registers count in steps of {amount(machine.least_increment_mm, 'mm', machine.unit)}",
        held,
        f"snippets are written as {machine.dialect}",
        f"{parts} usually cut between probing and entry",
        f"its clock runs in {machine.time_zone.key}",
        spread,
        _temperature_fact(machine),
    )


def _temperature_fact(machine: Machine) -> str:
    if machine.temperature == "compensated":
        return "its control takes the parts' warmth off itself: readings are used as printed"
    scales = "scales that read true at any temperature"
    if machine.scale_cte_per_k is not None:
        scales = f"scales as warm as the part that grow by {machine.scale_cte_per_k:f} /K"
    taken = f"with the TEMP printed beside them and {scales}"
    if isinstance(machine.temperature, Decimal):
        return f"readings are brought to 20 degC {taken}, {plain(machine.temperature)} degC where none is printed"
    return f"readings are brought to 20 degC {taken}; without TEMP they are used as printed"


def setter_facts(machine: Machine, registers: Iterable[Register]) -> str:
    """What readings of the tool setter are used for; `registers` are those that plans look at."""
    broken = f"a tool that has lost more than {amount(machine.break_limit_mm, 'mm', machine.unit)} on the tool setter"
    if machine.setter_mm is None:
        return f"{broken} is broken; otherwise its readings are not used: setter, its repeatability, is not stated"
    told = ", ".join(str(register) for register in registers if register.is_on_setter) or "no register"
    spread = amount(machine.setter_mm, "mm", machine.unit)
    return f"{broken} is broken; it repeats with a standard deviation of {spread}, and its readings count for {told}"


def probe_facts(machine: Machine, artefacts: Iterable[Artefact]) -> tuple[str, ...]:
    """What the machine's probe is held against, one sentence each."""
    limits = machine.probe
    least, most = (amount(mm, "mm", machine.unit) for mm in limits.pretravel_mm)
    apart, off, changed = (
        amount(mm, "mm", machine.unit) for mm in (limits.asymmetry_mm, limits.offset_limit_mm, limits.change_limit_mm)
    )
    values = (
        f"a calibration is good with {least} to {most} of pre-travel, at most {apart} between + and - of an axis,"
        f" {off} of offset, and {changed} of change since the last one"
    )
    checked = [f"{artefact.name} every {_interval(artefact)}" for artefact in artefacts]
    if not checked:
        return (values, "its probe is unchecked: cell.toml states no artefact for it")
    return (values, f"its probe is checked on {', '.join(checked)}")


def _interval(artefact: Artefact) -> str:
    if artefact.due_parts is not None:
        return _parts(artefact.due_parts)
    return "now and then (no due is stated)" if artefact.due_s is None else f"{plain(artefact.due_s / 3600)} h"


def limit_facts(limits: Limits, register: Register, machine_unit: LengthUnit = "mm") -> dict[str, str]:
    """The limits in force for `register`, each with its unit, under the words of limits.toml."""
    if limits.expires_parts is not None:
        expires = _parts(limits.expires_parts)
    else:
        expires = "never" if limits.expires_s is None else f"{plain(Decimal(repr(limits.expires_s)) / 3600)} h"
    return {
        "band": share(limits.band),
        "aim": share(limits.aim),
        "step": from_um(limits.step_um, register.unit, machine_unit),
        "travel": from_um(limits.travel_um, register.unit, machine_unit),
        "settle": _parts(limits.settle),
        "evidence": _parts(limits.evidence),
        "confidence": share(limits.confidence),
        "implausible": from_um(limits.implausible_um, register.unit, machine_unit),
        "expires": expires,
        "check": "required" if limits.check_required else "advised",
    }
