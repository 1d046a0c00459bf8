"""A machining centre in memory: it cuts, wears, probes its parts and prints honest log text.

The physics is written here once more, from the cutter and the walls, and not from the sensitivities of the product: a
sign that is wrong there shows in a story. Micrometres inside; a register holds what the control holds, in the control's
own unit, and as a diameter where the control stores diameters.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from random import Random
from typing import Final, Literal

Kind = Literal["bore", "boss", "pocket", "web", "wall", "floor", "depth", "datum", "machined", "drilled"]
Unit = Literal["mm", "inch"]

UM_PER: Final[dict[Unit, int]] = {"mm": 1000, "inch": 25_400}
READING_STEP: Final[dict[Unit, Decimal]] = {"mm": Decimal("0.0001"), "inch": Decimal("0.00001")}
REGISTER_STEP: Final[dict[Unit, Decimal]] = {"mm": Decimal("0.001"), "inch": Decimal("0.0001")}


@dataclass(frozen=True, kw_only=True)
class Cut:
    """One feature: what the plan says of it, where the program puts it and how much its readings scatter.

    `nominal` and the limit deviations are in the plan's unit; `programmed_um` is where it lies, from nominal, with
    sharp tools and a true part zero. `every` is 4 where only each fourth part is probed there.
    """

    id: str
    name: str
    kind: Kind
    nominal: str
    tolerance: str | tuple[str, str]
    tool: int | None = None
    axis: str | None = None
    faces: Literal["+", "-"] | None = None
    datum: str | None = None
    programmed_um: float = 0.0
    sd_um: float = 1.0
    every: int = 1


@dataclass(frozen=True, kw_only=True)
class PartPlan:
    """A part's inspection plan: the TOML the shop keeps, and what the machine cuts by."""

    part: str
    title: str
    material: str
    cuts: tuple[Cut, ...]
    unit: Unit = "mm"
    system: str = "54"

    def toml(self) -> str:
        """The text of parts/<part>.toml."""
        head = f'# {self.title}\npart = "{self.part}"\nmaterial = "{self.material}"\nprobed_in = "{self.system}"\n'
        return head + "".join(f"\n[[feature]]\n{self._feature(cut)}" for cut in self.cuts)

    def _feature(self, cut: Cut) -> str:
        unit = "in" if self.unit == "inch" else "mm"
        is_position = cut.kind in ("datum", "machined")
        words = {
            "id": cut.id,
            "name": cut.name,
            "kind": "position" if is_position else cut.kind,
            "role": cut.kind if is_position else None,
            "axis": cut.axis,
            "faces": cut.faces,
            "nominal": f"{cut.nominal} {unit}",
            "relative_to": cut.datum,
            "work": self.system if is_position else None,
        }
        lines = [f'{key} = "{word}"\n' for key, word in words.items() if word is not None]
        tool = "" if cut.tool is None else f"tool = {cut.tool}\n"
        return "".join(lines) + f"tolerance = {self._tolerance(cut, unit)}\n{tool}"

    @staticmethod
    def _tolerance(cut: Cut, unit: str) -> str:
        if isinstance(cut.tolerance, str):
            return f'"{cut.tolerance}"'
        return "[" + ", ".join(f'"{limit} {unit}"' for limit in cut.tolerance) + "]"


@dataclass
class Tool:
    """What a cutter has lost since its set-up geometry was stored; negative: it is bigger than stored."""

    radius_lost_um: float = 0.0
    length_lost_um: float = 0.0


@dataclass
class SimulatedMachine:
    """A machining centre with known truth. `cut()` makes and probes one part and gives the text its control prints.

    `lag`: an entry takes effect only after so many more parts, as when parts are already being cut.
    """

    name: str
    plan: PartPlan
    seed: str
    start: datetime = datetime(2025, 3, 3, 6, 4, 0)  # noqa: DTZ001 - a control's clock shows local time and no zone
    first_part: int = 101
    minutes: float = 8.0
    unit: Unit = "mm"
    tool_radius: Literal["radius", "diameter"] = "radius"
    layout: Literal["pairs", "columns"] = "pairs"
    prints_registers: bool = True
    acting: Mapping[str, float] = field(default_factory=dict)  # share of what a register should do
    lag: int = 0
    cte_per_k: float = 23.6e-6
    part_temperature_c: float | None = None
    ball_lost_um: float = 0.0  # of the probe ball's effective radius since its calibration

    tools: dict[int, Tool] = field(init=False)
    registers: dict[str, Decimal] = field(init=False)  # as the control holds them
    clock: datetime = field(init=False)
    parts_cut: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        self._noise = Random(f"{self.seed} noise")
        self._pace = Random(f"{self.seed} pace")
        self.clock = self.start
        numbers = sorted({cut.tool for cut in self.plan.cuts if cut.tool is not None})
        self.tools = {number: Tool() for number in numbers}
        self.registers = {f"tool {number} {axis}": Decimal(0) for number in numbers for axis in ("radius", "length")}
        zero = {"X": "102.345", "Y": "-55.010", "Z": "-210.004"} if self.unit == "mm" else {
            "X": "4.0293", "Y": "-2.1657", "Z": "-8.2679"
        }  # fmt: skip
        self.registers |= {self._work(axis): Decimal(value) for axis, value in zero.items()}
        self._datum_um = {axis: self._held_um(self._work(axis)) for axis in zero}
        self._wild_um: dict[str, float] = {}
        self._missed: set[str] = set()
        self._between: list[str] = []
        self._entries: list[tuple[int, str, Decimal]] = []

    # What happens in the shop ----------------------------------------------------------------------------------------

    def wear(self, tool: int, radius_um: float = 0.0, length_um: float = 0.0) -> None:
        """The cutter loses this much; the next part shows it."""
        self.tools[tool].radius_lost_um += radius_um
        self.tools[tool].length_lost_um += length_um

    def new_tool(self, tool: int, radius_um: float = 0.0, length_um: float = 0.0, *, is_recorded: bool = True) -> None:
        """A new tool or edge, bigger than stored by this much; its wear registers are set to zero, as setters do."""
        self.tools[tool] = Tool(-radius_um, -length_um)
        if is_recorded:
            self._between.append(f"NEWTOOL {tool}")
        for axis in ("radius", "length"):
            self.registers[f"tool {tool} {axis}"] = Decimal(0)

    def move_part(self, axis: str, um: float) -> None:
        """From the next part on, parts lie this much further along `axis`."""
        self._datum_um[axis] += um

    def reprogram(self, feature: str, um: float) -> None:
        """The program's path for one feature is edited by this much."""
        cuts = tuple(
            Cut(**{**vars(cut), "programmed_um": cut.programmed_um + um}) if cut.id == feature else cut
            for cut in self.plan.cuts
        )
        self.plan = PartPlan(**{**vars(self.plan), "cuts": cuts})

    def chip(self, feature: str, um: float) -> None:
        """The next reading of `feature` is wild by this much: a chip, a burr, a drop of coolant."""
        self._wild_um[feature] = um

    def miss(self, feature: str) -> None:
        """The probe will not trigger on `feature` at the next part."""
        self._missed.add(feature)

    def enter(self, register: str, value: Decimal) -> None:
        """Somebody sets `register` to `value`, in the control's own unit; parts already under way do not show it."""
        step = REGISTER_STEP[self.unit]
        if value % step != 0:
            raise ValueError(f"the control's page for {register} holds steps of {step}, not {value}")
        self._entries.append((self.parts_cut + self.lag, register, value))

    def enter_mm(self, register: str, value_mm: float) -> None:
        """Likewise for a value as proposals state it: millimetres and, for a cutter's radius, radius-valued."""
        own = Decimal(repr(value_mm)) * 1000 * self._doubling(register) / UM_PER[self.unit]
        self.enter(register, own.quantize(REGISTER_STEP[self.unit], ROUND_HALF_EVEN))

    def check_ring(self, name: str, certified_mm: Decimal, error_um: float = 0.0) -> None:
        """The ring is probed before the next part, at 20 degC: it shows what the ball has lost on both its sides."""
        um = 2 * self.ball_lost_um + error_um
        size = (certified_mm + Decimal(repr(um)) / 1000).quantize(Decimal("0.0001"), ROUND_HALF_EVEN)
        self.say(f"ARTEFACT {name} ACTUAL {size} TEMP 20.0 DATE {self.clock:%Y%m%d} TIME {self.clock:%H%M%S}")

    def say(self, *lines: str) -> None:
        """Other lines that the control prints before the next part."""
        self._between.extend(lines)

    # What comes of it ------------------------------------------------------------------------------------------------

    def cut(self) -> str:
        """One part, made, probed and printed."""
        self._take_entries()
        number = self.first_part + self.parts_cut
        due = [cut for cut in self.plan.cuts if self.parts_cut % cut.every == 0]
        lines = [*self._between, *(self._rows if self.layout == "columns" else self._pairs)(number, due)]
        self._between, self._wild_um, self._missed = [], {}, set()
        self.parts_cut += 1
        self.clock += timedelta(seconds=round(60 * self.minutes + self._pace.uniform(-45, 45)))
        return "".join(f"{line}\n" for line in lines)

    @property
    def header(self) -> str:
        """What stands at the top of every file of this layout."""
        return "part;plan;date;time;feature;actual;tool\n" if self.layout == "columns" else ""

    def true_um(self, cut: Cut) -> float:
        """Where the feature really lies, as deviation from nominal."""
        return cut.programmed_um + self._displaced_um(cut) + self._warmth_um(cut)

    def _displaced_um(self, cut: Cut) -> float:
        match cut.kind:
            case "datum":  # stands at its place in the machine, read from the stored part zero
                return self._datum_um[_axis(cut)] - self._held_um(self._work(_axis(cut)))
            case "machined":  # cut from the stored part zero, read from the datum
                return self._held_um(self._work(_axis(cut))) - self._datum_um[_axis(cut)]
            case "drilled":  # as big as the drill
                return -2 * self.tools[_tool(cut)].radius_lost_um
            case "floor":
                return self._left_below_um(_tool(cut))
            case "depth":
                return -self._left_below_um(_tool(cut))
            case "bore" | "pocket":  # metal left on both walls, towards the middle
                return -2 * self._left_on_wall_um(_tool(cut))
            case "boss" | "web":
                return 2 * self._left_on_wall_um(_tool(cut))
            case "wall":
                return self._left_on_wall_um(_tool(cut)) * (1 if cut.faces == "+" else -1)

    def _left_on_wall_um(self, tool: int) -> float:
        """The control keeps the cutter's centre off the wall by the stored radius; the cutter reaches its true one."""
        return self._held_um(f"tool {tool} radius") + self.tools[tool].radius_lost_um

    def _left_below_um(self, tool: int) -> float:
        """Likewise along the spindle, with the stored and the true length."""
        return self._held_um(f"tool {tool} length") + self.tools[tool].length_lost_um

    def _warmth_um(self, cut: Cut) -> float:
        if self.part_temperature_c is None:
            return 0.0
        return float(cut.nominal) * UM_PER[self.plan.unit] * self.cte_per_k * (self.part_temperature_c - 20.0)

    def _misread_um(self, cut: Cut) -> float:
        """A ball smaller than the control believes: it travels further inside a bore, and not as far around a boss."""
        sides = {"bore": 2, "pocket": 2, "drilled": 2, "boss": -2, "web": -2, "datum": 1}
        return sides.get(cut.kind, 0) * self.ball_lost_um

    def _held_um(self, register: str) -> float:
        held_um = float(self.registers[register]) * UM_PER[self.unit] / self._doubling(register)
        return held_um * self.acting.get(register, 1.0)

    def _doubling(self, register: str) -> int:
        return 2 if register.endswith("radius") and self.tool_radius == "diameter" else 1

    def _work(self, axis: str) -> str:
        return f"work {self.plan.system} {axis}"

    def _take_entries(self) -> None:
        for due, register, value in self._entries:
            if due <= self.parts_cut:
                self.registers[register] = value
        self._entries = [entry for entry in self._entries if entry[0] > self.parts_cut]

    # What the control prints -----------------------------------------------------------------------------------------

    def _pairs(self, number: int, due: Sequence[Cut]) -> Iterator[str]:
        yield f"PART {number} PLAN {self.plan.part} DATE {self.clock:%Y%m%d} TIME {self.clock:%H%M%S}"
        if self.prints_registers:
            for tool in self.tools:
                radius, length = (self._printed(f"tool {tool} {axis}") for axis in ("radius", "length"))
                yield f"OFFSET TOOL {tool} RADIUS {radius} LENGTH {length}"
            zero = " ".join(f"{axis} {self._printed(self._work(axis))}" for axis in "XYZ")
            yield f"OFFSET WORK {self.plan.system} {zero}"
        temperature = "" if self.part_temperature_c is None else f" TEMP {self.part_temperature_c:.1f}"
        for cut in due:
            reading = self._reading(cut)
            yield f"MISS FEATURE {cut.id}" if reading is None else f"FEATURE {cut.id} ACTUAL {reading}{temperature}"
        yield f"END {number}"

    def _rows(self, number: int, due: Sequence[Cut]) -> Iterator[str]:
        for cut in due:
            reading = self._reading(cut)
            actual = "MISS" if reading is None else str(reading)
            tool = "" if cut.tool is None else str(cut.tool)
            when = f"{self.clock:%Y%m%d};{self.clock:%H%M%S}"
            yield f"{number};{self.plan.part};{when};{cut.id};{actual};{tool}"

    def _reading(self, cut: Cut) -> Decimal | None:
        """The probed size as the control prints it, None for a miss; scatter is drawn either way."""
        um = self.true_um(cut) + self._noise.gauss(0.0, cut.sd_um) + self._wild_um.get(cut.id, 0.0)
        um += self._misread_um(cut)
        if cut.id in self._missed:
            return None
        nominal_um = Decimal(cut.nominal) * UM_PER[self.plan.unit]
        own = (nominal_um + Decimal(repr(um))) / UM_PER[self.unit]
        return own.quantize(READING_STEP[self.unit], ROUND_HALF_EVEN)

    def _printed(self, register: str) -> str:
        return f"{self.registers[register].quantize(REGISTER_STEP[self.unit]):f}"


def _axis(cut: Cut) -> str:
    assert cut.axis is not None, f"feature {cut.id} has no axis"
    return cut.axis


def _tool(cut: Cut) -> int:
    assert cut.tool is not None, f"feature {cut.id} has no tool"
    return cut.tool
