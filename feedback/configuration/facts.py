"""The configuration once it has been read and found good: plain frozen facts, nothing left to check."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from feedback.registers import Register
from feedback.units import LengthUnit, Unit
from rules.limits import Limits

FeatureKind = Literal[
    "bore", "boss", "pocket", "web", "wall", "floor", "depth", "position", "angle", "diameter", "drilled"
]

BREAK_LIMIT_MM = Decimal("0.2")  # common practice


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeLimits:
    """Where a probe's calibration stops being believable (mm). The defaults are common practice."""

    number: int = 1  # of the probe that a check without a number was made with
    pretravel_mm: tuple[Decimal, Decimal] = (Decimal("0.000"), Decimal("0.030"))  # nominal radius less effective radius
    asymmetry_mm: Decimal = Decimal("0.002")  # between the effective radii towards + and - of one axis
    offset_limit_mm: Decimal = Decimal("0.020")  # of the ball's centre from the spindle's axis
    change_limit_mm: Decimal = Decimal("0.003")  # of any value since the last calibration


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """One machine of the cell. `logs` are absolute folders; `increment` is what the register itself can hold."""

    name: str
    logs: tuple[Path, ...]
    layout: str
    unit: LengthUnit
    least_increment_mm: Decimal
    dialect: str
    tool_radius: Literal["radius", "diameter"]
    lag: int
    time_zone: ZoneInfo
    repeatability_mm: Decimal | None = None  # standard deviation of the probe, when the shop has measured it
    scale_cte_per_k: Decimal | None = None  # of the scales; None: they read true at any temperature, or are compensated
    # of the parts: as the log prints it, taken off by the control itself, or this (degC) where the log prints none
    temperature: Literal["log", "compensated"] | Decimal = "log"
    probe: ProbeLimits = ProbeLimits()
    setter_mm: Decimal | None = None  # standard deviation of the tool setter; None: it says nothing about wear
    break_limit_mm: Decimal = BREAK_LIMIT_MM  # a tool that has lost more on the setter is broken

    def increment(self, register: Register) -> Decimal:
        """Least increment of `register` as radius-valued mm (or degrees)."""
        if register.kind == "rotary":
            return Decimal("0.001")
        halved = register.axis == "radius" and self.tool_radius == "diameter"
        return self.least_increment_mm / 2 if halved else self.least_increment_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Artefact:
    """A certified ring, sphere or gauge; `size_mm` keeps every digit of the certificate."""

    name: str
    kind: str
    size_mm: Decimal
    uncertainty_mm: Decimal
    cte_per_k: Decimal
    error_limit_mm: Decimal
    due_s: Decimal | None
    due_parts: int | None
    centre_limit_mm: Decimal | None = None  # how far its centre may be found from where it lies; None: error_limit
    certificate_until: date | None = None  # the last day on which the certificate is valid
    machines: tuple[str, ...] | None = None  # the machines checked with it; None: every machine of the cell

    def is_for(self, machine: str) -> bool:
        """Whether this machine's probe is to be checked with it."""
        return self.machines is None or machine in self.machines


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who may review, change limits or release registers."""

    id: str
    name: str
    may: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One feature of a plan. `moves` gives the sensitivity to each (radius-valued) register; empty: none moves it."""

    plan: str
    id: str
    name: str
    kind: FeatureKind
    unit: Unit
    nominal: Decimal
    lower: Decimal  # limit deviations from nominal
    upper: Decimal
    tool: int | None
    moves: Mapping[Register, Fraction]
    is_inside: bool = False  # material lies around it: a bore, a pocket, a diameter turned from inside
    expands_mm: Decimal = Decimal(0)  # the length, with its sign, that grows with the part's temperature

    @property
    def key(self) -> str:
        """The feature's name across all plans of the cell: "4101/12"."""
        return f"{self.plan}/{self.id}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One inspection plan; `part` is what the log's PLAN word says."""

    part: str
    path: Path
    cte_per_k: Decimal | None
    probed_in: str
    features: Mapping[str, Feature]
    machines: tuple[str, ...] | None = None  # the machines that cut it; None: every machine of the cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Guard:
    """How uncertain a reading is (standard uncertainty) and how far inside a limit it proves conformity (ISO 14253-1).

    `band_um` is 0 where the uncertainty is not known, and where the tolerance is too narrow to prove anything.
    """

    u_um: float = 0.0
    band_um: float = 0.0


NO_GUARD = Guard()


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Registers and features of one machine that are coupled through the plans; each belongs to exactly one group.

    `guards` are by feature key; a feature without one is judged by the bare limits of its tolerance.
    """

    machine: str
    registers: tuple[Register, ...]
    features: tuple[Feature, ...]
    guards: Mapping[str, Guard] = field(default_factory=dict)

    def guard(self, feature: Feature) -> Guard:
        """The guard of one of its features."""
        return self.guards.get(feature.key, NO_GUARD)

    @property
    def key(self) -> str:
        """Stable name of the group on its machine."""
        return ", ".join(str(register) for register in self.registers) or f"feature {self.features[0].key}"


LIKELIHOOD = 20.0  # odds of 20 to 1


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitTable:
    """Limits by register: shipped defaults, then [default], then [kind.*], then [register."..."]."""

    default: Limits
    kinds: Mapping[str, Limits]
    registers: Mapping[tuple[str, Register], Limits]
    likelihood: float = LIKELIHOOD  # times that a cause must be likelier than everything else before it is named

    def for_register(self, machine: str, register: Register) -> Limits:
        """The limits in force for one register of one machine."""
        narrow = self.registers.get((machine, register))
        return narrow if narrow is not None else self.kinds.get(register.kind, self.default)


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration:
    """A whole cell folder, read and checked."""

    folder: Path
    name: str
    time_zone: ZoneInfo
    store: str  # "sqlite" or a PostgreSQL address without its password
    machines: Mapping[str, Machine]
    plans: Mapping[str, Plan]
    limits: LimitTable
    artefacts: Mapping[str, Artefact]
    people: Mapping[str, Person]
    texts: Mapping[str, str]  # relative path -> text of every configuration file, as kept in the history

    @property
    def digest(self) -> str:
        """sha256 over every configuration text, in path order."""
        import hashlib

        digest = hashlib.sha256()
        for name, text in sorted(self.texts.items()):
            digest.update(f"{name}\0{len(text.encode())}\0".encode() + text.encode())
        return f"sha256:{digest.hexdigest()}"
