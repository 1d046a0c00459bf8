"""The invented parts of Cell 3, and the texts of its configuration."""

from collections.abc import Iterable, Mapping
from typing import Literal

from tests.stories.shop import Cut, PartPlan, SimulatedMachine

# Every size is programmed to the middle of its tolerance: 25 H7 is 0/+21 um, 32 H8 0/+39, 40 h7 -25/0, 30 H8 0/+33.
BEARING_BORE = Cut(
    id="12", name="bearing bore", kind="bore", nominal="25", tolerance="H7", tool=5, programmed_um=10.5, sd_um=0.9
)
SEAL_BORE = Cut(
    id="13", name="seal bore", kind="bore", nominal="32", tolerance="H8", tool=5, programmed_um=19.5, sd_um=1.2
)
SPIGOT = Cut(id="14", name="spigot", kind="boss", nominal="40", tolerance="h7", tool=8, programmed_um=-12.5, sd_um=1.0)
COVER_SEAT = Cut(
    id="21", name="cover seat", kind="floor", nominal="-18", tolerance=("-0.030", "+0.030"), tool=7, sd_um=1.1
)
DATUM_X = Cut(
    id="31", name="cast pad, X", kind="datum", axis="X", nominal="0", tolerance=("-0.050", "+0.050"), sd_um=1.5
)
DATUM_Y = Cut(
    id="32", name="cast pad, Y", kind="datum", axis="Y", nominal="0", tolerance=("-0.050", "+0.050"), sd_um=1.5
)
PORT = Cut(
    id="41", name="port to pad, X", kind="machined", axis="X", datum="31", nominal="46",
    tolerance=("-0.060", "+0.060"), sd_um=1.5,
)  # fmt: skip

PUMP_BODY = PartPlan(
    part="4101",
    title="Pump body",
    material="aluminium 6061",
    cuts=(BEARING_BORE, SEAL_BORE, SPIGOT, COVER_SEAT, DATUM_X, DATUM_Y, PORT),
)

PIN_BORE = Cut(
    id="1", name="hinge pin bore", kind="bore", nominal="30", tolerance="H8", tool=3, programmed_um=16.5, sd_um=1.0
)
EAR_WIDTH = Cut(
    id="2", name="width over the ears", kind="web", nominal="60", tolerance=("-0.025", "+0.025"), tool=3, sd_um=1.1
)
POCKET_DEPTH = Cut(
    id="3", name="pocket depth", kind="depth", nominal="12", tolerance=("-0.030", "+0.030"), tool=3, sd_um=1.0
)
DOWEL_HOLE = Cut(
    id="8", name="dowel hole", kind="drilled", nominal="8", tolerance="H8", tool=12, programmed_um=11.0, sd_um=1.0
)
BRACKET_DATUM = Cut(
    id="5", name="sawn face, X", kind="datum", axis="X", nominal="0", tolerance=("-0.050", "+0.050"), sd_um=1.5
)

HINGE_BRACKET = PartPlan(
    part="5220",
    title="Hinge bracket",
    material="steel",
    cuts=(PIN_BORE, EAR_WIDTH, POCKET_DEPTH, DOWEL_HOLE, BRACKET_DATUM),
)

COVER_PLATE = PartPlan(
    part="310",
    title="Cover plate, drawn in inches",
    material="aluminium 6061",
    unit="inch",
    cuts=(
        Cut(
            id="1", name="bearing bore", kind="bore", nominal="1.2500", tolerance=("0", "+0.0010"), tool=2,
            programmed_um=12.7, sd_um=1.0,
        ),
        Cut(
            id="2", name="pilot", kind="boss", nominal="2.0000", tolerance=("-0.0012", "0"), tool=2,
            programmed_um=-15.24, sd_um=1.2,
        ),
        Cut(
            id="5", name="edge, X", kind="datum", axis="X", nominal="0", tolerance=("-0.0020", "+0.0020"), sd_um=1.5
        ),
    ),
)  # fmt: skip

PEOPLE = """
[person.op1]
name = "Operator 1"
may = ["review"]

[person.pe]
name = "Process engineer"
may = ["review", "limits", "release"]

[person.quality]
name = "Quality"
may = ["release"]
"""


def cell_texts(machines: Iterable[SimulatedMachine], limits: str = "") -> Mapping[str, str]:
    """Relative path -> text of every configuration file of a cell with these machines."""
    machines = list(machines)
    texts = {"cell.toml": head_text() + "".join(_machine(machine) for machine in machines) + PEOPLE}
    texts |= {f"parts/{machine.plan.part}.toml": machine.plan.toml() for machine in machines}
    if limits:
        texts["limits.toml"] = limits
    return texts


def head_text(name: str = "Cell 3", zone: str = "Europe/Lisbon") -> str:
    """The head of a cell.toml."""
    return f'[cell]\nname = "{name}"\ntime_zone = "{zone}"\nstore = "sqlite"\n'


def machine_text(
    name: str, repeatability: str | None = "0.0008 mm", layout: str = "pairs", unit: str = "mm", radius: str = "radius"
) -> str:
    """One machine of a cell.toml; `radius` is what its page holds, `repeatability` None is not stated."""
    stated = f'repeatability = "{repeatability}"\n' if repeatability else ""
    return f"""
[machine.{name}]
logs = "logs/{name}"
layout = "{layout}"
unit = "{unit}"
least_increment = "{"0.001 mm" if unit == "mm" else "0.0001 in"}"
dialect = "g10-memory"
tool_radius = "{radius}"
lag = 1
{stated}"""


def _machine(machine: SimulatedMachine) -> str:
    repeatability = "0.0008 mm" if machine.unit == "mm" else "0.00003 in"
    return machine_text(machine.name, repeatability, machine.layout, machine.unit, machine.tool_radius)


def _point(id: str, name: str, axis: str) -> Cut:
    return Cut(id=id, name=name, kind="datum", axis=axis, nominal="0", tolerance=("-0.050", "+0.050"), sd_um=1.2)


def _size(id: str, name: str, kind: Literal["bore", "boss", "pocket", "web"], nominal: str, tool: int) -> Cut:
    return Cut(id=id, name=name, kind=kind, nominal=nominal, tolerance=("-0.025", "+0.025"), tool=tool, sd_um=1.0)


# Two cutters with inside and outside sizes each, two points on every datum face: enough to tell causes apart.
GEAR_COVER = PartPlan(
    part="6310",
    title="Gear cover",
    material="aluminium 6061",
    cuts=(
        _size("71", "bearing bore", "bore", "25", 5),
        _size("72", "spigot", "boss", "48", 5),
        _size("73", "seal bore", "bore", "32", 6),
        _size("74", "web over the ears", "web", "90", 6),
        Cut(id="75", name="cover seat", kind="floor", nominal="-18", tolerance=("-0.030", "+0.030"), tool=7, sd_um=1.1),
        Cut(id="76", name="lower seat", kind="floor", nominal="-26", tolerance=("-0.030", "+0.030"), tool=7, sd_um=1.1),
        _point("81", "cast pad X, near", "X"),
        _point("82", "cast pad X, far", "X"),
        _point("83", "cast pad Y, near", "Y"),
        _point("84", "cast pad Y, far", "Y"),
        _point("85", "cast pad Z", "Z"),
    ),
)
