"""Corrections and machines for the tests of snippets."""

from decimal import Decimal
from typing import Any, Literal
from zoneinfo import ZoneInfo

from feedback.configuration.facts import Machine
from feedback.registers import register
from feedback.snippets.correction import Correction
from feedback.units import LengthUnit

INCREMENTS = {"mm": Decimal("0.001"), "inch": Decimal("0.00254")}  # 0.001 mm and 0.0001 in: common practice


def machine(
    unit: LengthUnit = "mm",
    tool_radius: Literal["radius", "diameter"] = "radius",
    least_increment_mm: Decimal | None = None,
    dialect: str = "g10-memory",
) -> Machine:
    """M1, as an ordinary shop would have it."""
    return Machine(
        name="M1",
        logs=(),
        layout="pairs",
        unit=unit,
        least_increment_mm=least_increment_mm or INCREMENTS[unit],
        dialect=dialect,
        tool_radius=tool_radius,
        lag=1,
        time_zone=ZoneInfo("UTC"),
    )


def correction(name: str = "tool 5 radius", now: str = "-0.012", change: str = "-0.006", **others: Any) -> Correction:
    """A wear correction of the register called `name`, from `now` by `change` (mm or degrees)."""
    facts: dict[str, Any] = {
        "id": "p-kfhtwq",
        "cell": "Cell 3",
        "machine": "M1",
        "register": register(name),
        "now": Decimal(now),
        "change": Decimal(change),
        "new": Decimal(now) + Decimal(change),
        "cause": "wear",
        "was_cut": False,
        "features": ("12", "D14"),
        "parts": ("110", "118"),
        "expires": "after part 128",
    }
    return Correction(**{**facts, **others})
