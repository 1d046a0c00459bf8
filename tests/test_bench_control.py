"""The bench that judges control: what it takes for trueup's closed loop is one, and its yardsticks measure right."""

from collections.abc import Sequence
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
        self.cutting = SimulatedMachine(bench.scenario.setup(), seed)
        self.follower = Follower(group, bench.machine)
        self.effects = Effects(group, [limits] * len(group.registers), bench.machine.tool_radius)
        self.witnesses = [Witness(group, register, bench.machine) for register in group.registers]
        self.holds = dict.fromkeys(group.registers, Decimal(0))
        self.pending: dict[Register, Entry] = {}
        self.entries: list[Entry] = []

    def run(self, parts: int) -> list[Entry]:
        self.follower.advance([self.printed(register, 0) for register in self.group.registers])
        for number in range(parts):
            news = self.entered(number)
            part = self.cutting.cut()
            news = self.new_tools(number, part.happened) + news
            read = dict(zip(self.cutting.setup.keys, part.read_um.tolist(), strict=True))
            seen = {f.key: read[f.key] for f in self.group.features if read[f.key] == read[f.key]}
            if seen:
                news = [*news, PartSeen(part_id=number, part=str(number), at_us=number, deviations=seen)]
            self.judge(number, news)
        return self.entries

    def printed(self, register: Register, number: int) -> RegisterSeen:
        return RegisterSeen(register=register, value=self.holds[register], at_us=number, source="")

    def new_tools(self, number: int, happened: tuple[object, ...]) -> list[Happening]:
        news: list[Happening] = []
        for tool in {one.tool for one in happened if type(one).__name__ == "NewEdge"}:  # type: ignore[attr-defined]
            news.append(ToolSeen(tool=tool, at_us=number, source=""))
            for register in self.group.registers:
                if register.tool == tool:
                    self.holds[register] = Decimal(0)
                    news.append(self.printed(register, number))
        return news

    def entered(self, number: int) -> list[Happening]:
        """Keyed in before this part is cut, unless its tool is changed just then."""
        changed = {one.tool for one in self.cutting._by_part.get(number, ()) if type(one).__name__ == "NewEdge"}
        self.pending = {r: entry for r, entry in self.pending.items() if r.tool not in changed}
        news: list[Happening] = []
        for register, entry in list(self.pending.items()):
            if entry.part == number:
                del self.pending[register]
                self.entries.append(entry)
                self.holds[register] = entry.new
                column = self.cutting.setup.registers.index(str(register))
                self.cutting._counts[column] = round(float(entry.new) * 1000 / self.cutting._step_um[column])
                self.cutting._moved()
                news.append(self.printed(register, number))
        return news

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
