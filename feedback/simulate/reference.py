"""A plan rich enough that every cause leaves a signature of its own.

Two roughly equal cutters (5 and 6), each with inside and outside sizes; two more (7 and 8) with floors and a depth;
datum faces in X, Y and Z, two points on those of X and Y, so that a turn shows; machined positions from the datums in
all three; a drilled size that no register moves.
"""

from typing import Final, Literal

from feedback.simulate.plans import Cut, PartPlan

SIGMA_UM: Final = 1.2  # probe repeatability of 0.5 to 2 um, surface and clamping included (common practice)


def _size(id: str, name: str, kind: Literal["bore", "boss", "pocket", "web"], nominal: str, tool: int) -> Cut:
    return Cut(id=id, name=name, kind=kind, nominal=nominal, tolerance=("-0.025", "+0.025"), tool=tool, sd_um=SIGMA_UM)


def _floor(id: str, name: str, nominal: str, tool: int) -> Cut:
    limits = ("-0.030", "+0.030")
    return Cut(id=id, name=name, kind="floor", nominal=nominal, tolerance=limits, tool=tool, datum="37", sd_um=SIGMA_UM)


def _datum(id: str, name: str, axis: Literal["X", "Y", "Z"], place_mm: tuple[float, float]) -> Cut:
    return Cut(
        id=id,
        name=name,
        kind="datum",
        axis=axis,
        faces="-" if axis != "Z" else "+",
        nominal="0",
        tolerance=("-0.050", "+0.050"),
        place_mm=place_mm,
        sd_um=SIGMA_UM,
    )


def _machined(id: str, name: str, axis: Literal["X", "Y", "Z"], nominal: str, datum: str) -> Cut:
    tolerance = ("-0.040", "+0.040")
    return Cut(
        id=id, name=name, kind="machined", axis=axis, nominal=nominal, tolerance=tolerance, datum=datum, sd_um=SIGMA_UM
    )


OFFSETS_UM: Final = {"11": 2.0, "12": -1.5, "13": -2.5, "14": 1.0, "15": 1.5, "16": -2.0, "21": 1.5, "23": -1.0}

_CUTS: Final = (
    _size("11", "bearing bore", "bore", "25", 5),
    _size("12", "cover pocket", "pocket", "60", 5),
    _size("13", "spigot", "boss", "40", 5),
    _size("14", "seal bore", "bore", "32", 6),
    _size("15", "relief pocket", "pocket", "18", 6),
    _size("16", "web over the ears", "web", "80", 6),
    _floor("21", "cover seat", "-18", 7),
    _floor("22", "lower seat", "-26", 7),
    _floor("23", "flange face", "-6", 8),
    Cut(
        id="24", name="groove depth", kind="depth", nominal="5", tolerance=("-0.030", "+0.030"), tool=8, sd_um=SIGMA_UM
    ),
    _datum("31", "cast pad X, near", "X", (0.0, 20.0)),
    _datum("32", "cast pad X, far", "X", (0.0, 120.0)),
    _datum("33", "cast pad Y, near", "Y", (20.0, 0.0)),
    _datum("34", "cast pad Y, far", "Y", (140.0, 0.0)),
    _datum("37", "cast pad Z", "Z", (80.0, 60.0)),
    _machined("41", "port to pad, X", "X", "46", "31"),
    _machined("42", "port to pad, Y", "Y", "38", "33"),
    _machined("43", "port face to pad, Z", "Z", "-12", "37"),
    Cut(
        id="51", name="dowel hole", kind="drilled", nominal="8", tolerance=("-0.025", "+0.025"), tool=12, sd_um=SIGMA_UM
    ),
)  # fmt: skip


def _with_offset(cut: Cut) -> Cut:
    return Cut(**{**vars(cut), "offset_um": OFFSETS_UM.get(cut.id, 0.0)})


REFERENCE_PLAN: Final = PartPlan(
    part="7301",
    title="Gear housing, a plan that tells causes apart",
    material="aluminium 6061",
    cte_per_k=23.6e-6,
    cuts=tuple(_with_offset(cut) for cut in _CUTS),
)
