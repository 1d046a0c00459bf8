"""What a simulated machine cuts and probes: the shop's inspection plan and the truth behind it, side by side."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

Kind = Literal["bore", "boss", "pocket", "web", "wall", "floor", "depth", "datum", "machined", "drilled"]
LengthUnit = Literal["mm", "inch"]

UM_PER: Final[dict[LengthUnit, float]] = {"mm": 1000.0, "inch": 25_400.0}
POSITIONS: Final = ("datum", "machined")


@dataclass(frozen=True, kw_only=True)
class Cut:
    """One feature: what the plan says of it, where the program puts it and how much its readings scatter.

    `nominal` and the limit deviations are in the plan's unit; `offset_um` is where it lies, from nominal, with sharp
    tools and a true part zero: the program's aim and the feature's own form and deflection. `place_mm` is where it is
    touched, in X and Y of its coordinate system. `faces` is the side of a wall's or a single datum face's air; a datum
    or machined position without it is a centre, touched from both sides. `every` is 5 where only each fifth part is
    probed there. `other_tool` cuts the second wall of a pocket or web.
    """

    id: str
    name: str
    kind: Kind
    nominal: str
    tolerance: str | tuple[str, str]
    tool: int | None = None
    other_tool: int | None = None
    axis: Literal["X", "Y", "Z"] | None = None
    faces: Literal["+", "-"] | None = None
    datum: str | None = None
    place_mm: tuple[float, float] = (0.0, 0.0)
    offset_um: float = 0.0
    sd_um: float = 1.0
    every: int = 1

    @property
    def along(self) -> str:
        """The axis of a position, wall or floor."""
        if self.kind in ("floor", "depth"):
            return "Z"
        if self.axis is None:
            raise ValueError(f"feature {self.id} is a {self.kind} without an axis; wanted X, Y or Z")
        return self.axis

    @property
    def cutter(self) -> str:
        """The tool that finishes it, as registers are named: "tool 5"."""
        if self.tool is None:
            raise ValueError(f"feature {self.id} is a {self.kind} without a tool; wanted its number")
        return f"tool {self.tool}"

    @property
    def cutters(self) -> tuple[str, str]:
        """The tools that finish its two walls, mostly one and the same."""
        return self.cutter, self.cutter if self.other_tool is None else f"tool {self.other_tool}"


@dataclass(frozen=True, kw_only=True)
class ToolSetter:
    """A tool setter that measures every tool before each `every`-th part and prints what it found.

    It repeats with `sd_um`; `drift_um` a part it reads more and more too long and too big: it warms up, or gets dirty.
    """

    every: int = 1
    sd_um: float = 1.0
    drift_um: float = 0.0


@dataclass(frozen=True, kw_only=True)
class PartPlan:
    """A part's inspection plan: the TOML the shop keeps, and what the machine cuts by."""

    part: str
    title: str
    material: str
    cte_per_k: float
    cuts: tuple[Cut, ...]
    unit: LengthUnit = "mm"
    system: str = "54"

    def cut(self, id: str) -> Cut:
        """The feature called `id`; KeyError where there is none."""
        found = next((cut for cut in self.cuts if cut.id == id), None)
        if found is None:
            raise KeyError(f"plan {self.part} has no feature {id!r}; it has {', '.join(cut.id for cut in self.cuts)}")
        return found

    def nominal_um(self, cut: Cut) -> float:
        """The nominal size or coordinate."""
        return float(cut.nominal) * UM_PER[self.unit]

    def toml(self) -> str:
        """The text of parts/<part>.toml."""
        head = f'# {self.title}\npart = "{self.part}"\nmaterial = "{self.material}"\nprobed_in = "{self.system}"\n'
        return head + "".join(f"\n[[feature]]\n{''.join(self._feature(cut))}" for cut in self.cuts)

    def _feature(self, cut: Cut) -> Iterator[str]:
        for key, word in self._words(cut).items():
            if word is not None:
                yield f'{key} = "{word}"\n'
        yield f"tolerance = {self._tolerance(cut)}\n"
        if cut.tool is not None:
            yield f"tool = {cut.tool}\n"
        if cut.other_tool is not None:
            sign = -1 if cut.kind == "pocket" else 1  # each of the two tools answers for one wall
            moves = ", ".join(f'"{cutter} radius" = {sign}' for cutter in cut.cutters)
            yield f"moves = {{ {moves} }}\n"

    def _words(self, cut: Cut) -> dict[str, str | None]:
        is_position = cut.kind in POSITIONS
        return {
            "id": cut.id,
            "name": cut.name,
            "kind": "position" if is_position else cut.kind,
            "role": cut.kind if is_position else None,
            "axis": cut.axis,
            "faces": cut.faces if cut.kind == "wall" else None,
            "nominal": f"{cut.nominal} {self._unit}",
            "relative_to": cut.datum,
            "work": self.system if is_position or cut.datum else None,
        }

    def _tolerance(self, cut: Cut) -> str:
        if isinstance(cut.tolerance, str):
            return f'"{cut.tolerance}"'
        return "[" + ", ".join(f'"{limit} {self._unit}"' for limit in cut.tolerance) + "]"

    @property
    def _unit(self) -> str:
        return "in" if self.unit == "inch" else "mm"
