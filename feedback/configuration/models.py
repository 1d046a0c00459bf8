"""The shape of each configuration table: which keys it has and how each value is written.

Every table is checked on its own, so that one fault never hides another. Rules that look at more than one key are in
the modules that turn a table into facts.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Any, Final, Literal
from urllib.parse import parse_qs, urlsplit
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, PlainValidator

from feedback.configuration.facts import FeatureKind
from feedback.configuration.suggest import did_you_mean, listed, shown
from feedback.units import LengthUnit, Quantity, QuantityKind, quantity

LONGEST_MM: Final = Decimal(100_000)  # no machining centre reaches further; catches 1e99
LONGEST_S: Final = Decimal(10 * 365 * 86400)
MOST_PARTS: Final = 1_000_000
MOST_TIMES: Final = 1_000_000
COLDEST_SHOP: Final = Decimal(5)
HOTTEST_SHOP: Final = Decimal(50)
LARGEST_CTE: Final = Decimal("100e-6")  # plastics; catches a forgotten e-6
TEMPERATURE_WORDS: Final = ("log", "compensated")
FEW: Final = 3  # words that read well with "or" between them
LARGEST_RATIO: Final = 4  # twice the diameter effect of a radius; more is a slip of the pen

_NAME = re.compile(r"[!-~]+")
_NOT_IN_NAMES: Final = "\"'`(),;=/\\"
_FOLDER_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_SYSTEM = re.compile(r"5[4-9](?:\.\d)?(?: P[1-9]\d*)?")
_ISO_CLASS = re.compile(r"[A-Za-z]{1,2}\d{1,2}")


@dataclass(frozen=True, slots=True)
class Stated:
    """A quantity and whether the person wrote it in inches."""

    quantity: Quantity
    in_inches: bool

    @property
    def value(self) -> Decimal:
        return self.quantity.value


def words(found: object) -> str:
    """`found` if it is text with something in it; a number is told to stand in quotes."""
    if isinstance(found, str) and found.strip():
        return found
    hint = f'; write "{found}" in quotes' if isinstance(found, int) and not isinstance(found, bool) else ""
    raise ValueError(f"found {shown(found)}; wanted text{hint}")


def one_word(found: object) -> str:
    """`found` if logs and reports can carry it as one word."""
    word = words(found)
    if _NAME.fullmatch(word) and not set(word) & set(_NOT_IN_NAMES):
        return word
    raise ValueError(f"found {word!r}; wanted printable ASCII without blanks, quotes, brackets or any of , ; = / \\")


def folder_name(found: object) -> str:
    """`found` if every file system can carry it as a folder's name."""
    word = words(found)
    if _FOLDER_NAME.fullmatch(word):
        return word
    raise ValueError(f"found {word!r}; wanted letters, digits, '.', '_' and '-' only, because folders carry this name")


def _system(found: object) -> str:
    system = " ".join(words(found).split()).upper()
    if _SYSTEM.fullmatch(system):
        return system
    raise ValueError(f'found {shown(found)}; wanted a coordinate system such as "54", "59.1" or "54.1 P3"')


def _one_of(*words: str) -> Callable[[object], str]:
    def choose(found: object) -> str:
        if isinstance(found, str) and found in words:
            return found
        wanted = " or ".join(words) if len(words) <= FEW else f"one of {listed(words)}"
        raise ValueError(f"found {shown(found)}; wanted {wanted}{did_you_mean(found, words)}")

    return choose


def _stated(found: object, *kinds: QuantityKind) -> Stated:
    value = quantity(found, *kinds)
    _refuse_beyond(found, value)
    return Stated(value, value.kind == "length" and str(found).rstrip().endswith(("in", "inch")))


def _refuse_beyond(found: object, value: Quantity) -> None:
    most = {
        "length": (LONGEST_MM, "at most 100 m"),
        "angle": (Decimal(360), "at most 360 deg"),
        "time": (LONGEST_S, "at most ten years"),
        "parts": (Decimal(MOST_PARTS), "at most a million parts"),
        "share": (Decimal(1), "at most 100 %"),
        "expansion": (LARGEST_CTE, 'something like "11.5e-6 /K"'),
        "temperature": (HOTTEST_SHOP, 'what a shop can be, 5 to 50 degC, such as "22 degC"'),
    }
    limit, words = most[value.kind]
    if abs(value.value) > limit:
        raise ValueError(f"found {shown(found)}; wanted {words}")


def _measure(found: object) -> Stated:
    return _stated(found, "length", "angle")


def _above_zero(*kinds: QuantityKind) -> Callable[[object], Stated]:
    def above_zero(found: object) -> Stated:
        stated = _stated(found, *kinds)
        if stated.value <= 0:
            raise ValueError(f"found {shown(found)}; wanted more than zero")
        return stated

    return above_zero


def _expansion(found: object) -> Decimal:
    return _above_zero("expansion")(found).value


def _temperature(found: object) -> str | Decimal:
    """The word for where the part's temperature comes from, or the temperature where the log prints none."""
    if found in TEMPERATURE_WORDS:
        return str(found)
    wanted = f'wanted {" or ".join(TEMPERATURE_WORDS)}, or the parts\' temperature such as "22 degC"'
    if not isinstance(found, str) or not any(character.isdigit() for character in found):
        raise ValueError(f"found {shown(found)}; {wanted}{did_you_mean(found, TEMPERATURE_WORDS)}")
    value = _stated(found, "temperature").value
    if value < COLDEST_SHOP:
        raise ValueError(f"found {shown(found)}; {wanted}, at least {COLDEST_SHOP} degC")
    return value


def _length_or_zero(found: object) -> Stated:
    stated = _stated(found, "length")
    if stated.value < 0:
        raise ValueError(f'found {shown(found)}; wanted a length, or "0 mm" where nothing expands')
    return stated


def _share(found: object) -> float:
    stated = _stated(found, "share")
    if stated.value < 0:
        raise ValueError(f"found {shown(found)}; wanted 0 % to 100 %")
    return float(stated.value)


def _band(found: object) -> float:
    return float(_above_zero("share")(found).value)


def _confidence(found: object) -> float:
    share = _stated(found, "share").value
    if not Decimal("0.5") <= share < 1:
        raise ValueError(f'found {shown(found)}; wanted at least 50 % and less than 100 %, such as "99 %"')
    return float(share)


def _times(found: object) -> float:
    """ "20 times": a bare number would not say of what."""
    number, _, unit = found.strip().partition(" ") if isinstance(found, str) else ("", "", "")
    try:
        times = float(number)
    except ValueError:
        times = 0.0
    if unit.strip() != "times" or not 3 <= times <= MOST_TIMES:
        raise ValueError(
            f'found {shown(found)}; wanted how many times likelier, from 3 to a million, such as "20 times"'
        )
    return times


def _count(least: int) -> Callable[[object], int]:
    def count(found: object) -> int:
        number = _whole(found) if isinstance(found, str) else found
        if isinstance(number, int) and not isinstance(number, bool) and least <= number <= MOST_PARTS:
            return number
        raise ValueError(f"found {shown(found)}; wanted a whole number of parts, {least} or more")

    return count


def _whole(found: str) -> int | None:
    parts = _stated(found, "parts").value
    return int(parts) if parts == parts.to_integral_value() else None


def _life(found: object) -> Quantity:
    """A number of whole parts or a time, as for `expires` and `due`."""
    stated = _above_zero("parts", "time")(found)
    if stated.quantity.kind == "parts" and stated.value != stated.value.to_integral_value():
        raise ValueError(f"found {shown(found)}; wanted whole parts")
    return stated.quantity


def _day(found: object) -> date:
    """A day: TOML's own date, or the same in quotes."""
    if isinstance(found, date) and not isinstance(found, datetime):
        return found
    if isinstance(found, str):
        try:
            return date.fromisoformat(found.strip())
        except ValueError:
            pass
    raise ValueError(f"found {shown(found)}; wanted a day such as 2027-06-01")


def _span(found: object) -> tuple[Stated, Stated]:
    """Two lengths, the smaller first."""
    if isinstance(found, list) and len(found) == 2:
        low, high = (_stated(limit, "length") for limit in found)
        if 0 <= low.value < high.value:
            return low, high
    raise ValueError(f'found {shown(found)}; wanted the least and the most, such as ["0.000 mm", "0.030 mm"]')


def _probe_number(found: object) -> int:
    if isinstance(found, int) and not isinstance(found, bool) and 1 <= found <= 99:
        return found
    raise ValueError(f"found {shown(found)}; wanted the number of a probe, such as 1")


def _tool(found: object) -> int:
    if isinstance(found, int) and not isinstance(found, bool) and 1 <= found <= 99_999_999:
        return found
    raise ValueError(f"found {shown(found)}; wanted the tool's number, such as 5")


def _several(check: Callable[[object], str], what: str) -> Callable[[object], tuple[str, ...]]:
    def several(found: object) -> tuple[str, ...]:
        if not isinstance(found, list) or not found:
            raise ValueError(f"found {shown(found)}; wanted a list of {what}")
        return tuple(check(item) for item in found)

    return several


def _folders(found: object) -> tuple[str, ...]:
    folders = _several(words, "folders")(found if isinstance(found, list) else [found])
    if any("\0" in folder for folder in folders):
        raise ValueError(f"found {shown(found)}; wanted a folder")
    return folders


def _tolerance(found: object) -> str | tuple[Stated, Stated]:
    if isinstance(found, str) and _ISO_CLASS.fullmatch(found.strip()):
        return found.strip()
    if isinstance(found, list) and len(found) == 2:
        return _measure(found[0]), _measure(found[1])
    wanted = 'an ISO 286 class such as "H7", or two deviations such as ["-0.010 mm", "+0.015 mm"]'
    raise ValueError(f"found {shown(found)}; wanted {wanted}")


def _time_zone(found: object) -> ZoneInfo:
    zone = words(found)
    try:
        return ZoneInfo(zone)
    except (KeyError, ValueError, OSError):  # a bad name is any of the three, by its shape
        from zoneinfo import available_timezones

        hint = did_you_mean(zone, available_timezones())
        raise ValueError(f'found {zone!r}; wanted a time zone such as "Europe/Lisbon"{hint}') from None


def _store(found: object) -> str:
    """The SQLite word or a PostgreSQL address; a password in it is never repeated in the message."""
    address = words(found)
    if address == "sqlite":
        return address
    wanted = 'wanted "sqlite" or "postgresql://user@host/database"'
    try:
        parts = urlsplit(address)
        has_password = parts.password is not None or "password" in parse_qs(parts.query)
    except ValueError:
        raise ValueError(f"found an address that cannot be understood; {wanted}") from None
    if has_password:
        raise ValueError("found a password in the address; put it in the environment as TRUEUP_STORE_PASSWORD instead")
    if parts.scheme != "postgresql" or len(parts.path) < 2:
        raise ValueError(f"found {address!r}; {wanted}{did_you_mean(address, ['sqlite'])}")
    return address


def _ratios(found: object) -> dict[str, Decimal]:
    if not isinstance(found, dict):
        raise ValueError(f'found {shown(found)}; wanted registers and ratios such as {{ "tool 5 radius" = -2 }}')
    return {name: _ratio(name, value) for name, value in found.items()}


def _ratio(name: str, found: object) -> Decimal:
    if isinstance(found, int | Decimal) and not isinstance(found, bool):
        number = Decimal(found)
        if number.is_finite() and 0 < abs(number) <= LARGEST_RATIO:
            return number
    raise ValueError(
        f"found {shown(found)} for {name!r}; wanted the change of the reading for +1 in the register:"
        f" a plain number, not zero, at most {LARGEST_RATIO} either way"
    )


Text = Annotated[str, PlainValidator(words)]
Name = Annotated[str, PlainValidator(one_word)]
System = Annotated[str, PlainValidator(_system)]
Length = Annotated[Stated, PlainValidator(_above_zero("length"))]
Measure = Annotated[Stated, PlainValidator(_measure)]
Expansion = Annotated[Decimal, PlainValidator(_expansion)]
Life = Annotated[Quantity, PlainValidator(_life)]
Day = Annotated[date, PlainValidator(_day)]

KINDS: Final = (
    "bore", "boss", "pocket", "web", "wall", "floor", "depth", "position", "angle", "diameter", "drilled",
)  # fmt: skip


class Table(BaseModel):
    """Any configuration table: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class CellTable(Table):
    name: Text
    time_zone: Annotated[ZoneInfo, PlainValidator(_time_zone)]
    store: Annotated[str, PlainValidator(_store)] = "sqlite"


class MachineTable(Table):
    logs: Annotated[tuple[str, ...], PlainValidator(_folders)]
    layout: Text = "pairs"
    unit: Annotated[LengthUnit, PlainValidator(_one_of("mm", "inch"))]
    least_increment: Length
    dialect: Text = "sheet"  # entry by hand: the one that cannot be wrong for a control nobody has named
    tool_radius: Annotated[Literal["radius", "diameter"], PlainValidator(_one_of("radius", "diameter"))]
    lag: Annotated[int, PlainValidator(_count(0))] = 1
    repeatability: Length | None = None
    setter: Length | None = None
    break_limit: Length | None = None
    scale_cte: Expansion | None = None
    temperature: Annotated[Literal["log", "compensated"] | Decimal, PlainValidator(_temperature)] = "log"
    probe: Any = {}


class ProbeTable(Table):
    number: Annotated[int, PlainValidator(_probe_number)] = 1
    pretravel: Annotated[tuple[Stated, Stated] | None, PlainValidator(_span)] = None
    asymmetry: Length | None = None
    offset_limit: Length | None = None
    change_limit: Length | None = None


class ArtefactTable(Table):
    kind: Annotated[str, PlainValidator(_one_of("ring", "sphere", "gauge"))]
    size: Length
    uncertainty: Length
    material: Text | None = None
    cte: Expansion | None = None
    error_limit: Length
    centre_limit: Length | None = None
    due: Life | None = None
    certificate_until: Day | None = None
    machines: Annotated[tuple[str, ...] | None, PlainValidator(_several(words, "machines"))] = None


class PersonTable(Table):
    name: Text
    may: Annotated[tuple[str, ...], PlainValidator(_several(_one_of("review", "limits", "release"), "permissions"))]


class CellFile(Table):
    cell: dict[str, Any]
    machine: dict[str, Any]
    artefact: dict[str, Any] = {}
    person: dict[str, Any] = {}


class PlanTable(Table):
    part: Name
    material: Text | None = None
    cte: Expansion | None = None
    probed_in: System
    machines: Annotated[tuple[str, ...] | None, PlainValidator(_several(words, "machines"))] = None
    feature: list[Any]


class FeatureTable(Table):
    id: Name
    name: Text | None = None
    kind: Annotated[FeatureKind, PlainValidator(_one_of(*KINDS))]
    nominal: Measure
    tolerance: Annotated[str | tuple[Stated, Stated], PlainValidator(_tolerance)]
    tool: Annotated[int | None, PlainValidator(_tool)] = None
    axis: Annotated[str | None, PlainValidator(_one_of("X", "Y", "Z", "A", "B", "C"))] = None
    faces: Annotated[Literal["+", "-"] | None, PlainValidator(_one_of("+", "-"))] = None
    side: Annotated[Literal["inside", "outside"] | None, PlainValidator(_one_of("inside", "outside"))] = None
    role: Annotated[Literal["datum", "machined"] | None, PlainValidator(_one_of("datum", "machined"))] = None
    work: Annotated[str | None, PlainValidator(_system)] = None
    relative_to: Annotated[str | None, PlainValidator(one_word)] = None
    expands: Annotated[Stated | None, PlainValidator(_length_or_zero)] = None
    machined_in: Annotated[str | None, PlainValidator(_system)] = None
    moves: Annotated[dict[str, Decimal] | None, PlainValidator(_ratios)] = None


class LimitsFile(Table):
    default: dict[str, Any] = {}
    kind: dict[str, Any] = {}
    registers: dict[str, Any] = Field(default={}, alias="register")  # `register` is a method of the base class


class _AnyLimits(Table):
    band: Annotated[float | None, PlainValidator(_band)] = None
    aim: Annotated[float | None, PlainValidator(_share)] = None
    settle: Annotated[int | None, PlainValidator(_count(0))] = None
    evidence: Annotated[int | None, PlainValidator(_count(1))] = None
    confidence: Annotated[float | None, PlainValidator(_confidence)] = None
    expires: Annotated[Quantity | None, PlainValidator(_life)] = None
    check: Annotated[Literal["required", "advised"] | None, PlainValidator(_one_of("required", "advised"))] = None


class LengthLimits(_AnyLimits):
    step: Annotated[Stated | None, PlainValidator(_above_zero("length"))] = None
    travel: Annotated[Stated | None, PlainValidator(_above_zero("length"))] = None
    implausible: Annotated[Stated | None, PlainValidator(_above_zero("length"))] = None


class DefaultLimits(LengthLimits):
    likelihood: Annotated[float | None, PlainValidator(_times)] = None


class AngleLimits(_AnyLimits):
    step: Annotated[Stated | None, PlainValidator(_above_zero("angle"))] = None
    travel: Annotated[Stated | None, PlainValidator(_above_zero("angle"))] = None
    implausible: Annotated[Stated | None, PlainValidator(_above_zero("angle"))] = None
