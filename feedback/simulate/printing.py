"""What the control prints: a part's register values and readings as log text, in the layouts `pairs` and `columns`."""

from collections.abc import Iterator, Mapping
from datetime import timedelta
from decimal import Decimal
from typing import Final

import numpy as np
from numpy.typing import NDArray

from feedback.simulate.disturbance import Disturbance
from feedback.simulate.happenings import Happening, NewEdge
from feedback.simulate.plans import LengthUnit
from feedback.simulate.scenario import AXES, RING_UM, Setup
from feedback.simulate.truth import PartTruth

Floats = NDArray[np.float64]

HEADER: Final = "part;plan;date;time;feature;actual;tool\n"
DECIMALS: Final[dict[LengthUnit, int]] = {"mm": 4, "inch": 5}
LAST_DIGIT_UM: Final[dict[LengthUnit, float]] = {"mm": 0.1, "inch": 0.254}
MM_PER_INCH: Final = 25.4
RING_SD_UM: Final = 0.5
SET_UP_UM: Final = (5_000.0, 132_441.2)  # radius and length of every tool as it was set up


def part_text(setup: Setup, found: Disturbance, part: PartTruth, shown: Mapping[str, Decimal]) -> str:
    """The lines of one part and what was printed before it."""
    lines = _rows(setup, found, part) if setup.layout == "columns" else _pairs(setup, found, part, shown)
    return "".join(f"{line}\n" for line in lines)


def printed(setup: Setup, part: PartTruth) -> dict[str, Decimal]:
    """The readings by feature id, as the control prints them in its own unit."""
    return {id: Decimal(text) for id, text in _readings(setup, part) if text is not None}


def read_in_other_unit_um(setup: Setup, read_um: Floats) -> Floats:
    """The readings as deviations when the actual sizes are printed in the machine's other unit."""
    nominal = np.array([plan.nominal_um(cut) for plan, cut in setup.features])
    factor = 1 / MM_PER_INCH if setup.unit == "mm" else MM_PER_INCH
    return np.asarray((nominal + read_um) * factor - nominal, dtype=np.float64)


def _pairs(setup: Setup, found: Disturbance, part: PartTruth, shown: Mapping[str, Decimal]) -> Iterator[str]:
    number = setup.first_part + part.index
    yield from _between(part.happened)
    if setup.ring_every is not None and part.index % setup.ring_every == 0:
        yield _ring_check(setup, found, part)
    if setup.setter is not None and part.index % setup.setter.every == 0:
        yield from _measured_tools(setup, found, part)
    yield f"PART {number} PLAN {part.plan.part} {' '.join(_when(setup, found, part, 'DATE ', 'TIME '))}"
    if setup.prints_registers:
        yield from _registers(setup, part, shown)
    temperature = _temperature(setup, found, part)
    for id, text in _readings(setup, part, found):
        yield f"MISS FEATURE {id}" if text is None else f"FEATURE {id} ACTUAL {text}{temperature}"
    yield f"END {number}"


def _rows(setup: Setup, found: Disturbance, part: PartTruth) -> Iterator[str]:
    when = ";".join(_when(setup, found, part))
    for id, text in _readings(setup, part, found):
        tool = part.plan.cut(id).tool
        row = (str(setup.first_part + part.index), part.plan.part, when, id, text or "MISS", str(tool or ""))
        yield ";".join(row)


def _between(happened: tuple[Happening, ...]) -> Iterator[str]:
    for happening in happened:
        if isinstance(happening, NewEdge) and happening.is_recorded:
            yield f"NEWTOOL {happening.tool}"


def _measured_tools(setup: Setup, found: Disturbance, part: PartTruth) -> Iterator[str]:
    """Every tool on the setter; the radius as the control shows radii."""
    digit_um = LAST_DIGIT_UM[setup.unit]
    for tool, (radius_um, length_um) in zip(setup.tools, found.setter_um[part.index].reshape(-1, 2), strict=True):
        shown_um = setup.doubling("radius") * (SET_UP_UM[0] + radius_um), SET_UP_UM[1] + length_um
        radius, length = (_number(setup, round(float(um) / digit_um)) for um in shown_um)
        yield f"SETTER TOOL {tool} LENGTH {length} RADIUS {radius}"


def _ring_check(setup: Setup, found: Disturbance, part: PartTruth) -> str:
    """The ring shows the ball's error alone, on both sides."""
    size_um = RING_UM + 2 * found.ball_um[part.index] + RING_SD_UM * found.ring_noise[part.index]
    when = " ".join(_when(setup, found, part, "DATE ", "TIME "))
    return f"ARTEFACT RING1 ACTUAL {_number(setup, round(size_um / LAST_DIGIT_UM[setup.unit]))} TEMP 20.0 {when}"


def _when(setup: Setup, found: Disturbance, part: PartTruth, *words: str) -> tuple[str, str]:
    at = setup.start + timedelta(seconds=round(60 * float(found.minutes[part.index])))
    date, time = words or ("", "")
    return f"{date}{at:%Y%m%d}", f"{time}{at:%H%M%S}"


def _registers(setup: Setup, part: PartTruth, shown: Mapping[str, Decimal]) -> Iterator[str]:
    for tool in setup.tools:
        yield f"OFFSET TOOL {tool} RADIUS {shown[f'tool {tool} radius']} LENGTH {shown[f'tool {tool} length']}"
    zero = " ".join(f"{axis} {shown[f'work {part.plan.system} {axis}']}" for axis in AXES)
    yield f"OFFSET WORK {part.plan.system} {zero}"


def _temperature(setup: Setup, found: Disturbance, part: PartTruth) -> str:
    if found.temperature_c is None or setup.warmth is None or not setup.warmth.is_printed:
        return ""
    return f" TEMP {found.temperature_c[part.index]:.1f}"


def _readings(setup: Setup, part: PartTruth, found: Disturbance | None = None) -> Iterator[tuple[str, str | None]]:
    """Feature id and printed size of the part's plan; None for a miss, when `found` says what was due."""
    digit_um = LAST_DIGIT_UM[setup.unit]
    for column, (plan, cut) in enumerate(setup.features):
        um = float(part.read_um[column])
        if um == um:
            yield cut.id, _number(setup, round((plan.nominal_um(cut) + um) / digit_um))
        elif found is not None and found.is_due[part.index, column]:
            yield cut.id, None


def _number(setup: Setup, digits: int) -> str:
    """A whole number of last digits as the control prints it."""
    decimals = DECIMALS[setup.unit]
    text = f"{digits / 10**decimals:.{decimals}f}"
    return text.removeprefix("-") if digits == 0 else text
