"""The situations of sample_logs/: a machine with known truth, what happens to it, and the text it prints.

Each situation is worked out by one function; same seed, same bytes. What should come out is in the README beside each
sample and is checked by test_samples.py.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from random import Random
from typing import Final

from tests.stories.parts import BEARING_BORE, COVER_PLATE, HINGE_BRACKET, PUMP_BODY, SEAL_BORE, cell_texts
from tests.stories.shop import Cut, PartPlan, SimulatedMachine

_SHIFTS: Final = ((6, "early"), (14, "late"), (22, "night"))


@dataclass
class Run:
    """A machine's run, its text kept in one file a shift, as the control's operator would save it."""

    machine: SimulatedMachine
    limits: str = ""
    cell: str = ""  # what cell.toml says beside machines and people
    files: dict[str, str] = field(default_factory=dict)

    def cut(self, parts: int, wear_um: Mapping[int, float] | None = None) -> "Run":
        """So many parts; `wear_um` is the radius each tool loses with every part."""
        for _ in range(parts):
            for tool, um in (wear_um or {}).items():
                self.machine.wear(tool, radius_um=um)
            self.write(self.machine.cut())
        return self

    def write(self, text: str) -> None:
        """Add to the file of the present shift."""
        name = f"logs/{self.machine.name}/{shift(self.machine.clock)}.txt"
        self.files[name] = self.files.get(name, self.machine.header) + text

    def texts(self) -> dict[str, str]:
        """Everything in the cell folder, by relative path."""
        texts = cell_texts([self.machine], self.limits)
        return {**texts, "cell.toml": texts["cell.toml"] + self.cell, **self.files}


def shift(clock: datetime) -> str:
    """20250303_early; the night shift keeps the date on which it began."""
    began = clock - timedelta(hours=6)
    _, name = max(entry for entry in _SHIFTS if entry[0] - 6 <= began.hour)
    return f"{began:%Y%m%d}_{name}"


def steady_wear() -> Run:
    """Tool 5 wears 0.2 um a part on its radius and nothing else happens."""
    machine = SimulatedMachine("M1", PUMP_BODY, seed="steady-wear", first_part=118)
    machine.wear(5, radius_um=-1.0)
    return Run(machine).cut(24, wear_um={5: 0.2})


def noise_only() -> Run:
    """Sixty parts with everything in order: only the probe, the surface and the clamping scatter."""
    return Run(SimulatedMachine("M1", PUMP_BODY, seed="noise-only", minutes=9)).cut(60)


def new_edge() -> Run:
    """Tool 3 has worn through most of an insert; the next insert is 5.5 um bigger than the set-up and is recorded."""
    machine = SimulatedMachine("M1", HINGE_BRACKET, seed="new-edge", first_part=40, minutes=10)
    machine.wear(3, radius_um=-1.5)
    run = Run(machine).cut(18, wear_um={3: 0.15})
    machine.new_tool(3, radius_um=5.8)
    return run.cut(2, wear_um={3: 0.4}).cut(8, wear_um={3: 0.1})


def shifted_part() -> Run:
    """After part 22 the vice stop has slipped: every part lies 35 um further along X."""
    machine = SimulatedMachine("M1", PUMP_BODY, seed="shifted-part", first_part=201, minutes=7)
    run = Run(machine, limits=_WIDER_WORK_STEP).cut(22, wear_um={5: 0.02})
    machine.move_part("X", 35.0)
    return run.cut(8, wear_um={5: 0.02})


_WIDER_WORK_STEP = """# Castings: a stop that slips moves them by more than the shipped step.
[kind.work]
step = "0.040 mm"
"""


def one_chip() -> Run:
    """At one part a chip lies in the bearing bore and it reads 60 um too small; nothing else happens."""
    machine = SimulatedMachine("M1", PUMP_BODY, seed="one-chip", first_part=301)
    run = Run(machine).cut(23)
    machine.chip("12", -60.0)
    return run.cut(8)


def conflicting_features() -> Run:
    """The thin wall around the seal bore springs open when the clamp lets go; both bores are finished by tool 5."""
    springs = Cut(**{**vars(SEAL_BORE), "tolerance": "H7", "programmed_um": 12.5 + 17.0, "every": 4})
    tight = Cut(**{**vars(BEARING_BORE), "programmed_um": 10.5 - 7.0})
    plan = PartPlan(**{**vars(PUMP_BODY), "cuts": (tight, springs, *PUMP_BODY.cuts[2:])})
    return Run(SimulatedMachine("M1", plan, seed="conflicting-features", first_part=401)).cut(23)


def inch_diameter() -> Run:
    """A machine that counts in inches and stores cutter diameters; tool 2 wears 0.3 um a part on its radius."""
    machine = SimulatedMachine(
        "M1", COVER_PLATE, seed="inch-diameter", first_part=7, minutes=6, unit="inch", tool_radius="diameter"
    )
    machine.wear(2, radius_um=-1.2)
    return Run(machine).cut(20, wear_um={2: 0.25})


def columns_layout() -> Run:
    """A control that prints a table and no registers; tool 5 wears as in steady-wear."""
    machine = SimulatedMachine("M1", PUMP_BODY, seed="columns-layout", first_part=118, layout="columns")
    machine.wear(5, radius_um=-1.0)
    return Run(machine).cut(26, wear_um={5: 0.2})


def hand_change() -> Run:
    """Between parts 15 and 16 the operator lowers tool 3's radius wear by 0.003 mm by hand, without a proposal."""
    machine = SimulatedMachine("M1", HINGE_BRACKET, seed="hand-change", first_part=60, minutes=11)
    machine.wear(3, radius_um=-0.5)
    run = Run(machine).cut(15, wear_um={3: 0.12})
    machine.enter("tool 3 radius", Decimal("-0.003"))
    return run.cut(15, wear_um={3: 0.12})


def not_entered() -> Run:
    """After part 15 tool 3's radius wear is lowered by 0.004 mm; the program cuts by another page."""
    machine = SimulatedMachine(
        "M1", HINGE_BRACKET, seed="not-entered", first_part=700, minutes=11, acting={"tool 3 radius": 0.0}
    )
    run = Run(machine).cut(15, wear_um={3: 0.1})
    machine.enter("tool 3 radius", Decimal("-0.004"))
    return run.cut(9, wear_um={3: 0.1})


def wrong_way() -> Run:
    """After part 15 tool 3's radius wear is lowered by 0.003 mm; this control counts wear with the other sign."""
    machine = SimulatedMachine(
        "M1", HINGE_BRACKET, seed="wrong-way", first_part=800, minutes=11, acting={"tool 3 radius": -1.0}
    )
    run = Run(machine).cut(15, wear_um={3: 0.1})
    machine.enter("tool 3 radius", Decimal("-0.003"))
    return run.cut(9, wear_um={3: 0.1})


def tool_worn_out() -> Run:
    """Tool 3 wears 0.5 um a part; four corrections by hand have used up the 0.024 mm that the shop allows an insert."""
    machine = SimulatedMachine("M1", HINGE_BRACKET, seed="tool-worn-out", first_part=500, minutes=10)
    machine.wear(3, radius_um=-3.0)
    run = Run(machine, limits=_SHORT_TRAVEL)
    for count in range(1, 5):
        run.cut(12, wear_um={3: 0.5})
        machine.enter("tool 3 radius", Decimal("-0.006") * count)
    return run.cut(12, wear_um={3: 0.5})


_SHORT_TRAVEL = """# After 0.024 mm on the radius the insert leaves a finish that the hinge pin does not forgive.
[register."M1 tool 3 radius"]
travel = "0.024 mm"
"""


def broken_text() -> Run:
    """Everything is in order except the text: one fault of each kind that controls, cables and people produce."""
    machine = SimulatedMachine("M1", PUMP_BODY, seed="broken-text", first_part=601)
    run = Run(machine)
    for part in range(24):
        text = machine.cut()
        for here, (found, instead) in _FAULTS.items():
            if here == part:
                text = _spoilt(text, found, instead)
        run.write(text)
    run.write(f"PART 625 PLAN 4101 DATE {machine.clock:%Y%m%d} TIME {machine.clock:%H%M%S}\nFEATURE 12 ACT")
    return run


_FAULTS: Final[Mapping[int, tuple[str, str]]] = {
    2: ("FEATURE 12 ACTUAL 25.", "FEATURE 12 ACTUAL 25,"),  # decimal comma
    4: ("FEATURE 13 ACTUAL *", "FEATURE 13 ACTUAL"),  # no value
    6: ("DATE 20250303", "DATE 20250231"),  # February has no such day: the part's readings then have no part
    8: ("FEATURE 14 ACTUAL", "FEATURE 99 ACTUAL"),  # the plan has no feature 99
    10: ("FEATURE 12 ACTUAL *", "FEATURE 12 ACTUAL 0.98466 NOMINAL 0.98425"),  # inches, though the machine says mm
    12: ("FEATURE 21 ACTUAL *", "FEATURE 21 ACTUAL -1.80004 UNIT CM"),  # a unit that no machine here counts in
    14: ("END 615\n", "END 615\nFEATURE 12 ACTUAL 25.0103\n"),  # between two parts
    16: ("FEATURE 14 ACTUAL 39.9", "FEATURE 14 ACTUAL 39.O"),  # letter O for a nought
    18: ("END 619", "END 618"),  # the end of another part
    20: ("PLAN 4101", "PLAN 4107"),  # the cell has no plan 4107
    22: ("FEATURE 13", "FEATURE 13\N{DEGREE SIGN}"),  # noise on the line
}


def _spoilt(text: str, found: str, instead: str) -> str:
    """`text` with its first `found` replaced; a `*` at the end of `found` stands for the rest of the line."""
    start = text.index(found.rstrip("*"))
    end = text.index("\n", start) if found.endswith("*") else start + len(found)
    return text[:start] + instead + text[end:]


_RING: Final = """
[artefact.RING1]
kind = "ring"
size = "40.00062 mm"
uncertainty = "0.0008 mm"
material = "steel"
error_limit = "0.003 mm"
due = "20 parts"
certificate_until = 2026-06-01
"""
_RING_MM: Final = Decimal("40.00062")
_CALIBRATED: Final = "RXP 2.9912 RXM 2.9914 RYP 2.9913 RYM 2.9911 OFFX 0.0021 OFFY -0.0008 LENGTH 147.3312 BALL 6"


def _calibrate(machine: SimulatedMachine, values: str = _CALIBRATED) -> None:
    when = f"DATE {machine.clock:%Y%m%d} TIME {machine.clock:%H%M%S}"
    machine.say(f"CALIBRATION PROBE 1 ARTEFACT RING1 {values} {when}")


def commissioning() -> Run:
    """The probe is calibrated, touched ten times on the ring, checked on it, and the first fifteen parts are cut."""
    machine = SimulatedMachine("M1", PUMP_BODY, seed="commissioning", first_part=1)
    chance = Random("commissioning ring")
    _calibrate(machine)
    for _ in range(10):
        touched = _RING_MM + Decimal(repr(round(chance.gauss(0.3, 0.5), 1))) / 1000
        machine.say(f"REPEAT RING1 POINT 1 ACTUAL {touched:.4f}")
    machine.check_ring("RING1", _RING_MM, 0.4)
    run = Run(machine, cell=_RING).cut(8)
    machine.check_ring("RING1", _RING_MM, -0.2)
    return run.cut(7)


def incomplete_calibration() -> Run:
    """Tool 5 wears; after part 14 the stylus is changed, and of its calibration one value stays out of the control."""
    machine = SimulatedMachine("M1", PUMP_BODY, seed="incomplete-calibration", first_part=901)
    _calibrate(machine)
    machine.check_ring("RING1", _RING_MM, 0.4)
    run = Run(machine, cell=_RING).cut(14, wear_um={5: 0.25})
    _calibrate(machine, _CALIBRATED.replace("RYM 2.9911", "RYM"))
    return run.cut(3, wear_um={5: 0.25})


def drifting_probe() -> Run:
    """The probe's ball wears 0.06 um a part; the ring is probed before every second part and fails before the last."""
    machine = SimulatedMachine("M1", PUMP_BODY, seed="drifting-probe", first_part=1001)
    chance = Random("drifting-probe ring")
    _calibrate(machine)
    run = Run(machine, cell=_RING)
    for part in range(44):
        machine.ball_lost_um = 0.06 * max(0, part - 22)
        if part % 2 == 0:
            machine.check_ring("RING1", _RING_MM, chance.gauss(0.1, 0.3))
        run.cut(1)
    return run


def hot_part() -> Run:
    """From part 1115 on the parts come from a hot washer at 27 degC, and the control prints that."""
    machine = SimulatedMachine("M1", PUMP_BODY, seed="hot-part", first_part=1101)
    machine.part_temperature_c = 20.0
    run = Run(machine, cell=_RING)
    _calibrate(machine)
    machine.check_ring("RING1", _RING_MM, 0.2)
    run.cut(14)
    machine.check_ring("RING1", _RING_MM, -0.1)
    machine.part_temperature_c = 27.0
    return run.cut(8)


SITUATIONS: Final[Mapping[str, Callable[[], Run]]] = {
    "steady-wear": steady_wear,
    "noise-only": noise_only,
    "new-edge": new_edge,
    "shifted-part": shifted_part,
    "one-chip": one_chip,
    "conflicting-features": conflicting_features,
    "inch-diameter": inch_diameter,
    "broken-text": broken_text,
    "columns-layout": columns_layout,
    "hand-change": hand_change,
    "not-entered": not_entered,
    "wrong-way": wrong_way,
    "tool-worn-out": tool_worn_out,
    "commissioning": commissioning,
    "incomplete-calibration": incomplete_calibration,
    "drifting-probe": drifting_probe,
    "hot-part": hot_part,
}
