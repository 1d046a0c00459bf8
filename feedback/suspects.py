"""What may happen to a machine, as hypotheses over the features of its plans. Pure.

A suspect is a cause by the trade's name with the signature it leaves: a new edge moves what one tool cuts, a moved part
the zero, warmth the zero along Z (and less along Y) little by little, a wrong probe every size alike. All sizes in
micrometres (millidegrees) are common practice unless a source stands beside them.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import accumulate, combinations, pairwise, product
from math import log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from feedback.configuration.facts import Feature, Group
from feedback.evidence import wear_sign
from feedback.hypotheses import DRIFTS, ONCE, STEADY, STEPS, Family, Hypothesis, families
from feedback.registers import Register

Array = NDArray[np.float64]

EDGE_UM: Final = 10.0  # 5 to 20 um
BROKEN_UM: Final = 300.0
MOVED_UM: Final = 20.0
APART_UM: Final = 10.0  # one feature against its neighbours
GROWN_UM: Final = 12.0  # 5 to 40 um in an hour or two, so this much within the stretch
GROWN_ASIDE_UM: Final = 5.0  # less in Y
BALL_UM: Final = 6.0  # of a size; a stylus changed without calibration
WORN_UM: Final = 4.0  # beyond the wear expected over the stretch
CHIP_UM: Final = 15.0
ENTRY_SHARE: Final = 1.0  # of a register change: it did nothing, or twice as much

# How often a thing begins, as odds against any one part.
_DAILY: Final = -log(100)
_OFTEN: Final = -log(200)
_SELDOM: Final = -log(500)
_RARE: Final = -log(5000)
_CHIP: Final = -log(100)
_ENTRY: Final = -log(20)
_ALONE: Final = "no register moves it so: look at its program, its clamping and the wall behind it"
_TURNED: Final = "the part lies turned, and no offset mends that: clamp it anew"
_ONCE: Final = "clean it and probe it again"
MOST_APART: Final = 6  # features of a register of which every two are tried as going apart


@dataclass(frozen=True, eq=False)
class Suspects:
    """Everything that may happen to the machine of these groups."""

    groups: Sequence[Group]
    sensitivities: Sequence[Array]
    families: tuple[Family, ...] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "families", families(_from_the_second_part(one) for one in self._all()))

    @cached_property
    def features(self) -> list[Feature]:
        return [feature for group in self.groups for feature in group.features]

    @cached_property
    def places(self) -> list[slice]:
        """Each group's features among all."""
        ends = accumulate((len(group.features) for group in self.groups), initial=0)
        return [slice(first, end) for first, end in pairwise(ends)]

    @cached_property
    def registers(self) -> dict[Register, Array]:
        """Every register with its column over all features."""
        columns = {}
        for group, place, sensitivity in zip(self.groups, self.places, self.sensitivities, strict=True):
            for r, register in enumerate(group.registers):
                columns[register] = np.zeros(len(self.features))
                columns[register][place] = sensitivity[:, r]
        return columns

    @cached_property
    def tools(self) -> dict[int, list[Register]]:
        tools: dict[int, list[Register]] = {}
        for register in self.registers:
            if register.tool is not None:
                tools.setdefault(register.tool, []).append(register)
        return tools

    @cached_property
    def systems(self) -> dict[str, list[Register]]:
        """Coordinate systems by their owner's name."""
        systems: dict[str, list[Register]] = {}
        for register in self.registers:
            if register.tool is None:
                systems.setdefault(register.owner, []).append(register)
        return systems

    def wear_sign(self, register: Register) -> int:
        return next(wear_sign(group, register) for group in self.groups if register in group.registers)

    def entry(self, register: Register, um: float, since: int) -> Hypothesis:
        """A register change `since` parts ago did not do what it should: no news of this kind, `effect` looks at it."""
        column = self.registers[register][:, None]
        prior = np.full(STEPS.stop - STEPS.start, -np.inf)
        prior[since - 1] = _ENTRY
        return Hypothesis("none", f"entry {register}", column, (ENTRY_SHARE * abs(um),), STEPS, prior)

    def _all(self) -> Iterator[Hypothesis]:
        for tool in self.tools:
            yield from self._of_tool(tool)
        for system in self.systems:
            yield from self._of_system(system)
        yield from self._warmth()
        yield from self._probe()
        for at, feature in enumerate(self.features):
            who = f"feature {feature.key}"
            yield Hypothesis("outlier", who, self._own(at), (CHIP_UM,), ONCE, _CHIP, apart=_ONCE)

    def _own(self, *features: int) -> Array:
        column = np.zeros((len(self.features), len(features)))
        column[list(features), range(len(features))] = 1.0
        return column

    def _columns(self, registers: Sequence[Register]) -> Array:
        return np.column_stack([self.registers[register] for register in registers])

    def _of_tool(self, tool: int) -> Iterator[Hypothesis]:
        registers, who = self.tools[tool], f"tool {tool}"
        columns, count = self._columns(registers), len(registers)
        lost = np.array([self.wear_sign(register) for register in registers])
        yield Hypothesis("new-edge", who, columns * lost, (EDGE_UM,) * count, STEPS, _SELDOM)
        yield Hypothesis("tool-broken", who, columns * lost, (BROKEN_UM,) * count, STEPS, _RARE, sign=1)
        for at in range(count):
            yield Hypothesis("wear", who, (columns * lost)[:, at : at + 1], (WORN_UM,), STEADY, _OFTEN, sign=1)
        for register in registers:
            yield from self._apart(register, who)

    def _apart(self, register: Register, who: str) -> Iterator[Hypothesis]:
        """Features of one register that go ways no setting of it follows: one alone, or two."""
        moved = np.flatnonzero(self.registers[register]).tolist()
        if len(moved) < 2:
            return
        for at in moved:
            yield Hypothesis("conflict", who, self._own(at), (APART_UM,), STEPS, _SELDOM, apart=_ALONE)
        for one, other in combinations(moved[:MOST_APART], 2):
            column = self._against(register, one, other)
            yield Hypothesis("conflict", who, column, (APART_UM,), STEPS, _SELDOM, apart=_ALONE)

    def _against(self, register: Register, one: int, other: int) -> Array:
        """Two features that go as far from each other as no setting of the register takes them."""
        moved = self.registers[register]
        column = moved[other] * self._own(one) - moved[one] * self._own(other)
        apart: Array = column / np.abs(column).max()
        return apart

    def _of_system(self, system: str) -> Iterator[Hypothesis]:
        registers = self.systems[system]
        for count in range(1, len(registers) + 1):
            for some in combinations(registers, count):
                yield Hypothesis("part-moved", system, self._columns(some), (MOVED_UM,) * count, STEPS, _SELDOM)
        for register in registers:
            if register.axis != "Z":
                column = self._columns([register])
                yield Hypothesis("none", f"creep of {register}", column, (WORN_UM,), DRIFTS, _SELDOM)
        cut = np.any(self._columns(registers) > 0, axis=1)
        for at in np.flatnonzero(cut).tolist():
            yield Hypothesis("conflict", system, self._own(at), (APART_UM,), STEPS, _SELDOM, apart=_ALONE)
        yield from self._turned(system)

    def _turned(self, system: str) -> Iterator[Hypothesis]:
        """A part that lies turned about Z: the points of a datum go apart, and what is measured from them with them."""
        level = [register for register in self.systems[system] if register.axis in ("X", "Y")]
        ways = [way for register in level for way in self._ways_apart(register)]
        touched = sorted({at for register in level for at in np.flatnonzero(self.registers[register]).tolist()})
        if ways:
            for columns in (np.column_stack(ways), self._own(*touched)):
                usual = (APART_UM,) * columns.shape[1]
                yield Hypothesis("part-moved", system, columns, usual, STEPS, _SELDOM, apart=_TURNED)

    def _ways_apart(self, register: Register) -> Iterator[Array]:
        """Every datum point of an axis against the first."""
        column = self.registers[register]
        first, *others = np.flatnonzero(column < 0).tolist() or [0]
        for other in others:
            yield (self._own(first) - self._own(other))[:, 0]

    def _warmth(self) -> Iterator[Hypothesis]:
        """All along Z together, less along Y; where floors are read from the zero that cut them, all lengths alike."""
        for registers in self.systems.values():
            by_axis = {register.axis: self.registers[register] for register in registers}
            if "Z" in by_axis:
                along = by_axis["Z"][:, None]
                yield Hypothesis("warm-up", "machine", along, (GROWN_UM,), DRIFTS, _DAILY)
                if "Y" in by_axis:
                    both = np.column_stack([by_axis["Z"], by_axis["Y"]])
                    usual = (GROWN_UM, GROWN_ASIDE_UM)
                    yield Hypothesis("warm-up", "machine", both, usual, DRIFTS, _DAILY)
        lengths = [self.registers[register] for register in self.registers if register.axis == "length"]
        if len(lengths) > 1:
            yield Hypothesis("warm-up", "machine", np.sum(lengths, axis=0)[:, None], (GROWN_UM,), DRIFTS, _DAILY)

    @cached_property
    def sizes(self) -> list[Register]:
        """The registers that a probe which reads all sizes wrong seems to move."""
        return [register for register in self.registers if register.axis in ("radius", "x")]

    @cached_property
    def faces(self) -> list[Register]:
        return [register for register in self.registers if register.tool is None and register.axis in ("X", "Y")]

    def _probe(self) -> Iterator[Hypothesis]:
        """All sizes alike, inside and outside opposite; a single face by half of it, to whichever side it looks.

        What is measured from such a face may follow it or not; which, a plan does not tell.
        """
        if len({register.owner for register in self.sizes}) + len(self.faces) < 2 or not self.sizes:
            return
        usual = (BALL_UM,)
        sizes = np.sum([self._as_size(register) for register in self.sizes], axis=0)
        ways = list(product(*(self._ways_of_face(register) for register in self.faces)))
        for way in ways:
            column = sizes + np.sum([np.zeros_like(sizes), *way], axis=0)
            for shapes in (STEPS, STEADY):
                yield Hypothesis("probe", "machine", column[:, None], usual, shapes, _SELDOM - log(len(ways)))

    def _as_size(self, register: Register) -> Array:
        """1 um more on inside sizes: what that does to the features of a radius, or of a turned diameter."""
        column = self.registers[register]
        if register.axis == "radius":
            return -0.5 * column
        inside = np.array([1.0 if feature.is_inside else -1.0 for feature in self.features])
        return np.where(column != 0, inside, 0.0)

    def _ways_of_face(self, register: Register) -> list[Array]:
        column = 0.5 * self.registers[register]
        alone = np.where(column < 0, column, 0.0)
        ways = [np.zeros_like(column), alone, -alone]
        return ways if np.array_equal(alone, column) else [*ways, column, -column]


def _from_the_second_part(one: Hypothesis) -> Hypothesis:
    """One reading of one feature may be a chip: a change that stays, or features apart, count when seen twice."""
    if one.shapes != STEPS or (not one.apart and np.count_nonzero(np.any(one.columns != 0, axis=1)) > 1):
        return one
    prior = np.broadcast_to(one.log_prior, STEPS.stop - STEPS.start).copy()
    prior[0] = -np.inf
    return replace(one, log_prior=prior)
