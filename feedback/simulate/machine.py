"""A machining centre part by part: it cuts, wears, probes; people enter values; it says what was true.

What does not depend on the registers is known beforehand for many parts (`disturbance`); a part only adds what the
registers do, which is linear. So a closed loop runs at the speed of a vector addition.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Final

import numpy as np
from numpy.typing import NDArray

from feedback.simulate.disturbance import Disturbance, Share, chance, disturb
from feedback.simulate.happenings import Entered, HandChange, Happening, NewEdge
from feedback.simulate.operator import Deed, deed
from feedback.simulate.physics import influences, made_matrix, read_matrix
from feedback.simulate.plans import UM_PER
from feedback.simulate.printing import HEADER, part_text, printed, read_in_other_unit_um
from feedback.simulate.scenario import Operator, Setup
from feedback.simulate.truth import PartTruth

Floats = NDArray[np.float64]

PARTS_AT_ONCE: Final = 1024
ZERO: Final[Mapping[str, Decimal]] = {"X": Decimal("102.345"), "Y": Decimal("-55.010"), "Z": Decimal("-210.004")}
ZERO_INCH: Final[Mapping[str, Decimal]] = {"X": Decimal("4.0293"), "Y": Decimal("-2.1657"), "Z": Decimal("-8.2679")}


class SimulatedMachine:
    """One machine of a scenario under one seed. `cut()` makes and probes the next part."""

    def __init__(self, setup: Setup, seed: int, operator: Operator | None = None) -> None:
        self.setup = setup
        self.seed = seed
        self.operator = operator or Operator()
        self.parts_cut = 0
        self.deeds: list[Deed] = []
        self._place = {register: index for index, register in enumerate(setup.registers)}
        self._step_um = np.array([setup.step_um(register) for register in setup.registers])
        self._made_by = made_matrix(setup, setup.registers)
        self._read_by = read_matrix(setup, setup.registers)
        self._counts = np.zeros(len(setup.registers), dtype=np.int64)
        self._entries: dict[int, list[tuple[Entered, int]]] = {}  # by first part, with the count of steps
        self._more: list[Happening] = []
        self._happened: dict[int, tuple[Happening, ...]] = {}
        self._deeds = chance(setup, seed, "deeds")
        self._look_ahead(PARTS_AT_ONCE)
        self._moved()

    # What happens in the shop ----------------------------------------------------------------------------------------

    def happen(self, *happenings: Happening) -> None:
        """More happens, at the next part or later; what has been cut stays as it was."""
        for happening in happenings:
            self.setup.check(happening)
            if happening.part < self.parts_cut:
                raise ValueError(f"part {happening.part} has been cut already; the next one is {self.parts_cut}")
        self._more.extend(happenings)
        self._look_ahead(len(self._disturbance))

    def enter(self, register: str, value: Decimal) -> None:
        """Somebody sets `register` to `value` as the control shows it; the `lag` parts under way do not show it."""
        self._enter(register, self._count(register, value), self.parts_cut + self.setup.lag, "entered")

    def enter_mm(self, register: str, value_mm: float) -> None:
        """Likewise for a value as proposals state it: millimetres and, for a cutter's radius, radius-valued."""
        self.enter(register, self._own(register, value_mm))

    def propose(self, register: str, value_mm: float) -> Deed:
        """A proposal reaches the operator, who accepts it after his while and does, or does not do, what it says."""
        done = deed(self.setup, self.operator, self._deeds, self.parts_cut, register, value_mm)
        self.deeds.append(done)
        if done.register is not None and done.value_mm is not None:
            count = self._count(done.register, self._own(done.register, done.value_mm))
            self._enter(done.register, count, done.due, done.kind)
        return done

    # What comes of it ------------------------------------------------------------------------------------------------

    def cut(self) -> PartTruth:
        """The next part, made and probed."""
        index = self.parts_cut
        if index >= len(self._disturbance):
            self._look_ahead(2 * index)
        happened = self._by_part.get(index, ())
        if happened or self._entries:
            happened = self._change_registers(index, happened)
        self.parts_cut = index + 1
        read = self._read_ahead[index] + self._read_moved
        if self._disturbance.is_other_unit[index]:
            read = read_in_other_unit_um(self.setup, read)
        return PartTruth(
            self.setup.name,
            index,
            self.setup.plans[self._plan[index]],
            self._made_ahead[index] + self._made_moved,
            read,
            self._held,
            happened,
        )

    def cut_parts(self, parts: int) -> list[PartTruth]:
        """So many parts, one after the other."""
        return [self.cut() for _ in range(parts)]

    def log_text(self, *parts: PartTruth) -> str:
        """What the control prints of these parts, and between them. A file of rows begins with `header`."""
        return "".join(part_text(self.setup, self._disturbance, part, self._shown(part)) for part in parts)

    @property
    def header(self) -> str:
        """What stands at the top of every file of this layout."""
        return HEADER if self.setup.layout == "columns" else ""

    def printed(self, part: PartTruth) -> dict[str, Decimal]:
        """The readings as printed, by feature id, in the machine's unit; a miss is left out."""
        return printed(self.setup, part)

    # What is true ----------------------------------------------------------------------------------------------------

    @property
    def registers(self) -> dict[str, Decimal]:
        """What the control shows now."""
        return self._show(self._counts)

    @property
    def events(self) -> tuple[Happening, ...]:
        """Everything that has happened so far, oldest first."""
        return tuple(one for part, happened in sorted(self._happened.items()) for one in happened)

    @property
    def at(self) -> datetime:
        """When the newest part was printed."""
        newest = max(0, self.parts_cut - 1)
        return self.setup.start + timedelta(minutes=float(self._disturbance.minutes[newest]))

    def error_um(self, part: PartTruth, register: str) -> float:
        """The register's own error when this part was cut: moved by minus this, it would be right."""
        word = f"{register} lost"
        held = float(part.held_um[self._place[register]])
        if register.startswith("tool"):
            return held + self._stand(part, word)
        system, axis = register.removeprefix("work ").rsplit(" ", 1)
        head = self._stand(part, f"head {axis}") if axis != "X" else 0.0
        return held + head - self._stand(part, f"part {system} {axis}")

    def share_um(self, part: PartTruth, share: Share) -> Floats:
        """(features,): what one cause contributes to the readings of this part."""
        stand = self._disturbance.stands.get(share)
        if stand is None:
            return np.zeros(len(part.read_um))
        return np.asarray(stand[part.index] @ read_matrix(self.setup, influences(self.setup)), dtype=np.float64)

    def _stand(self, part: PartTruth, word: str) -> float:
        column = influences(self.setup).index(word)
        return float(sum(stand[part.index, column] for stand in self._disturbance.stands.values()))

    # How it is done --------------------------------------------------------------------------------------------------

    def _look_ahead(self, parts: int) -> None:
        self._disturbance: Disturbance = disturb(self.setup, parts, self.seed, self._more)
        self._made_ahead = list(self._disturbance.made_um)
        self._read_ahead = list(np.where(self._disturbance.is_read, self._disturbance.read_um, np.nan))
        self._plan: list[int] = self._disturbance.plans.tolist()
        self._by_part: dict[int, tuple[Happening, ...]] = {}
        for happening in self._disturbance.happenings:
            self._by_part[happening.part] = (*self._by_part.get(happening.part, ()), happening)

    def _change_registers(self, index: int, happened: tuple[Happening, ...]) -> tuple[Happening, ...]:
        for happening in happened:
            if isinstance(happening, HandChange):
                place = self._place[happening.register]
                self._counts[place] += round(happening.um / self._step_um[place])
            elif isinstance(happening, NewEdge) and happening.zeroes:
                for axis in ("radius", "length"):
                    self._counts[self._place[f"tool {happening.tool} {axis}"]] = 0
        entries = self._entries.pop(index, [])
        for entered, count in entries:
            self._counts[self._place[entered.register]] = count
        happened = (*happened, *(entered for entered, _ in entries))
        if happened:
            self._happened[index] = happened
            self._moved()
        return happened

    def _moved(self) -> None:
        self._held = self._counts * self._step_um
        self._held.flags.writeable = False
        self._made_moved = self._held @ self._made_by
        self._read_moved = self._held @ self._read_by

    def _enter(self, register: str, count: int, due: int, kind: str) -> None:
        entered = Entered(part=due, register=register, value_mm=self._radius_mm(register, count), deed=kind)
        self._entries.setdefault(due, []).append((entered, count))

    def _radius_mm(self, register: str, count: int) -> float:
        """A register's value as proposals state it."""
        own = self._set_up(register) + count * self._own_step
        return float(own) * UM_PER[self.setup.unit] / 1000 / self.setup.doubling(register)

    def _own(self, register: str, value_mm: float) -> Decimal:
        """A value as proposals state it, as the control shows it, on the grid."""
        own = Decimal(repr(float(value_mm))) * self.setup.doubling(register)
        if self.setup.unit == "inch":
            own /= Decimal("25.4")
        return own.quantize(self._own_step, ROUND_HALF_EVEN)

    def _count(self, register: str, value: Decimal) -> int:
        """How many steps from set-up the control's value is."""
        if register not in self._place:
            raise KeyError(f"machine {self.setup.name} has no {register}; it has {', '.join(self._place)}")
        steps = (value - self._set_up(register)) / self._own_step
        if steps != steps.to_integral_value():
            raise ValueError(f"the control's page for {register} holds steps of {self._own_step}, not {value}")
        return int(steps)

    @property
    def _own_step(self) -> Decimal:
        return Decimal("0.001") if self.setup.unit == "mm" else Decimal("0.0001")

    def _set_up(self, register: str) -> Decimal:
        zero = ZERO if self.setup.unit == "mm" else ZERO_INCH
        return Decimal(0) if register.startswith("tool") else zero[register[-1]]

    def _show(self, counts: NDArray[np.int64]) -> dict[str, Decimal]:
        own_step = self._own_step
        return {
            register: (self._set_up(register) + int(count) * own_step).quantize(own_step)
            for register, count in zip(self._place, counts, strict=True)
        }

    def _shown(self, part: PartTruth) -> dict[str, Decimal]:
        return self._show(np.rint(part.held_um / self._step_um).astype(np.int64))
