"""The bench that judges control: what it takes for trueup's closed loop is one, and its yardsticks measure right."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal

import pytest

from feedback.configuration.facts import Group
from feedback.effect import Effects
from feedback.evidence import Forecast, Standing, Witness
from feedback.follow import Follower, Happening, PartSeen, RegisterSeen, ToolSeen
from feedback.registers import Register
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.scenarios import SITUATIONS
from rules.catalogue import RULES
from rules.engine import decide
from rules.limits import Limits
from rules.rule import Rule
from tests.bench.bench_machine import BenchMachine
from tests.bench.superposed import INSPECTED, Entry, close_loop, filtered

PARTS = 150


class ReallyClosed:
    """A machine that cuts corrected parts, and trueup's own follower, effects and rules behind it, for one group."""

    def __init__(self, bench: BenchMachine, group: Group, limits: Limits, rules: Sequence[Rule], seed: int) -> None:
        self.bench, self.group, self.limits, self.rules = bench, group, limits, rules
        # Entries are handed over when they are due; the machine then makes them at once.
        self.cutting = SimulatedMachine(replace(bench.scenario.setup(), lag=0), seed)
        self.is_zeroed = bench.errors(PARTS, [seed]).is_zeroed[0]
        self.follower = Follower(group, bench.machine)
        self.effects = Effects(group, [limits] * len(group.registers), bench.machine.tool_radius)
        self.witnesses = [Witness(group, register, bench.machine) for register in group.registers]
        self.holds = dict.fromkeys(group.registers, Decimal(0))
        self.pending: dict[Register, Entry] = {}
        self.entries: list[Entry] = []

    def run(self, parts: int) -> list[Entry]:
        self.follower.advance([self.printed(register, 0) for register in self.group.registers])
        for number in range(parts):
            news = [*self.new_tools(number), *self.entered(number)]
            read = dict(zip(self.cutting.setup.keys, self.cutting.cut().read_um.tolist(), strict=True))
            seen = {f.key: read[f.key] for f in self.group.features if read[f.key] == read[f.key]}
            if seen:
                news.append(PartSeen(part_id=number, part=str(number), at_us=number, deviations=seen))
            self.judge(number, news)
        return self.entries

    def printed(self, register: Register, number: int) -> RegisterSeen:
        return RegisterSeen(register=register, value=self.holds[register], at_us=number, source="")

    def new_tools(self, number: int) -> Iterator[Happening]:
        """The setter records the new tool and zeroes its wear; what was proposed for the old one is forgotten."""
        zeroed = [r for r in self.group.registers if self.is_zeroed[number, self.cutting.setup.registers.index(str(r))]]
        for tool in {register.tool for register in zeroed if register.tool is not None}:
            yield ToolSeen(tool=tool, at_us=number, source="")
        for register in zeroed:
            self.holds[register] = Decimal(0)
            self.pending.pop(register, None)
            yield self.printed(register, number)

    def entered(self, number: int) -> Iterator[Happening]:
        """Keyed in before this part is cut."""
        for register, entry in list(self.pending.items()):
            if entry.part == number:
                self.entries.append(self.pending.pop(register))
                self.holds[register] = entry.new
                self.cutting.enter_mm(str(register), float(entry.new))
                yield self.printed(register, number)

    def judge(self, number: int, news: list[Happening]) -> None:
        progress = self.follower.advance(news)
        self.effects.follow(progress)
        if progress.outlooks is None:
            return
        glimpse = Forecast(progress.outlooks, self.bench.machine.lag).after(0)
        for witness in self.witnesses:
            register = witness.register
            pending = "p-wait" if register in self.pending else None
            standing = Standing(pending=pending, unproven=self.effects.unproven.get(witness.name))
            track = progress.moments[0].tracks[register]
            step = decide(witness.evidence(glimpse, progress.moments[0], track, standing), self.limits, self.rules).step
            if step is not None:
                due = number + 1 + self.bench.delay
                self.pending[register] = Entry(due, register, step.now, step.new)


@pytest.mark.parametrize(
    ("name", "seed", "rules"),
    [
        ("fast-wear", 1, INSPECTED),
        ("long-lag", 2, INSPECTED),
        ("rare-measurement", 3, RULES),
        ("two-tools-sharing-features", 4, RULES),
    ],
)
def test_superposed_corrections_are_those_of_a_really_closed_loop(name: str, seed: int, rules: Sequence[Rule]) -> None:
    """Corrections added to one uncorrected filter run are entered at the same parts with the same values as live."""
    bench, limits = BenchMachine(SITUATIONS[name]), Limits(band=0.2)
    errors = bench.errors(PARTS, [seed])
    found = 0
    for group in bench.groups:
        superposed = close_loop(filtered(bench, group, errors), limits, bench.delay, rules).entries
        assert superposed == ReallyClosed(bench, group, limits, rules, seed).run(PARTS)
        found += len(superposed)
    assert found > 2
