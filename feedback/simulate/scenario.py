"""A scenario: everything that is needed, beside a seed, to tell what a cell's machines cut, probe and print."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal, Self

from feedback.simulate.happenings import Happening
from feedback.simulate.plans import Cut, LengthUnit, PartPlan, ToolSetter
from feedback.simulate.warming import Growth, PartWarmth
from feedback.simulate.wear import Cutter

AXES: Final = ("X", "Y", "Z")
START: Final = datetime(2025, 3, 3, 6, 4, 0)  # noqa: DTZ001 - a control's clock shows local time and no zone
RING_UM: Final = 40_000.62  # certified at 20 degC


@dataclass(frozen=True, kw_only=True)
class Operator:
    """Who enters corrections: how long he takes to accept, and how often he does not do what was asked.

    Shares are of all proposals handed to him; what is neither forgotten nor mistaken is entered as asked.
    """

    accepts_after: int = 0
    forgets: float = 0.0
    wrong_register: float = 0.0
    mistypes: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Setup:
    """One machine as it was set up: its plans, cutters and habits, and what will happen to it.

    With several plans, `batch` parts of one are cut before the next comes. `lag` parts are always under way between
    probing and an entry. `chips` and `misses` are shares of all readings. `ring_every` parts the probe is checked on a
    certified ring.
    """

    name: str = "M1"
    plans: tuple[PartPlan, ...]
    cutters: tuple[Cutter, ...] = ()
    happenings: tuple[Happening, ...] = ()
    batch: int = 50
    unit: LengthUnit = "mm"
    tool_radius: Literal["radius", "diameter"] = "radius"
    layout: Literal["pairs", "columns"] = "pairs"
    prints_registers: bool = True
    lag: int = 1
    minutes: float = 8.0
    first_part: int = 101
    growth: Growth | None = None
    warmth: PartWarmth | None = None
    chips: float = 0.0
    chip_um: tuple[float, float] = (30.0, 100.0)
    misses: float = 0.0
    ring_every: int | None = None
    setter: ToolSetter | None = None
    start: datetime = START

    def __post_init__(self) -> None:
        for cutter in self.cutters:
            if cutter.number not in self.tools:
                raise ValueError(f"machine {self.name}: no feature is cut by tool {cutter.number}; wanted {self.tools}")
        for happening in self.happenings:
            self.check(happening)

    def check(self, happening: Happening) -> None:
        """Raises ValueError where `happening` is about a feature, tool, system or register this machine has not."""
        for what, known in (
            ("feature", (*self.keys, *(cut.id for _, cut in self.features))),
            ("tool", self.tools),
            ("system", self.systems),
            ("register", self.registers),
        ):
            found = getattr(happening, what, None)
            if found is not None and found not in known:
                wanted = ", ".join(map(str, known))
                raise ValueError(f"machine {self.name}: {happening} knows no such {what}; wanted one of {wanted}")

    @property
    def features(self) -> tuple[tuple[PartPlan, Cut], ...]:
        """Every feature of every plan, in the order of the arrays' columns."""
        return tuple((plan, cut) for plan in self.plans for cut in plan.cuts)

    @property
    def keys(self) -> tuple[str, ...]:
        """The features' names across all plans, as in the product: "4101/12"."""
        return tuple(f"{plan.part}/{cut.id}" for plan, cut in self.features)

    def column(self, feature: str) -> int:
        """Where a feature, named "4101/12" or, in the first plan that has it, "12", stands in the arrays."""
        return next(i for i, key in enumerate(self.keys) if feature in (key, key.partition("/")[2]))

    @property
    def tools(self) -> tuple[int, ...]:
        """The numbers of all tools that cut something."""
        stated = {tool for _, cut in self.features for tool in (cut.tool, cut.other_tool)}
        return tuple(sorted(tool for tool in stated if tool is not None))

    @property
    def systems(self) -> tuple[str, ...]:
        """The coordinate systems that parts are cut and probed in."""
        return tuple(dict.fromkeys(plan.system for plan in self.plans))

    @property
    def registers(self) -> tuple[str, ...]:
        """Every register, in the order of the arrays' columns: radius and length of each tool, then the part zeros."""
        wear = tuple(f"tool {tool} {axis}" for tool in self.tools for axis in ("radius", "length"))
        return wear + tuple(f"work {system} {axis}" for system in self.systems for axis in AXES)

    def step_um(self, register: str) -> float:
        """The least increment of a register as it acts: 0.001 mm or 0.0001 in, half where diameters are stored."""
        step = 1.0 if self.unit == "mm" else 2.54
        return step / self.doubling(register)

    def doubling(self, register: str) -> int:
        """How many times the radius the register holds."""
        return 2 if register.endswith("radius") and self.tool_radius == "diameter" else 1


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """A whole cell. `words` says what happens in it; `noise_um` is the scatter that fault sizes are multiples of."""

    name: str
    words: str
    machines: tuple[Setup, ...]
    operator: Operator = Operator()
    noise_um: float = 1.0

    def setup(self, machine: str | None = None) -> Setup:
        """The machine of that name, or the first."""
        if machine is None:
            return self.machines[0]
        found = [setup for setup in self.machines if setup.name == machine]
        if not found:
            names = ", ".join(setup.name for setup in self.machines)
            raise KeyError(f"scenario {self.name} has no machine {machine!r}; it has {names}")
        return found[0]

    def with_happenings(self, happenings: Sequence[Happening], machine: str | None = None) -> Self:
        """The same scenario in which more happens to one machine."""
        chosen = self.setup(machine)
        richer = replace(chosen, happenings=(*chosen.happenings, *happenings))
        return replace(self, machines=tuple(richer if one is chosen else one for one in self.machines))
