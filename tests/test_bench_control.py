"""The bench that judges control: what it takes for trueup's closed loop is one, and its yardsticks measure right."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from feedback.configuration.facts import Group
from feedback.delay import parts_before_entry
from feedback.effect import Effects
from feedback.evidence import Forecast, Standing, Witness
from feedback.follow import Follower, Happening, PartPassed, PartSeen, RegisterSeen, ToolSeen
from feedback.registers import Register
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.scenarios import SITUATIONS
from rules.catalogue import RULES
from rules.engine import decide
from rules.limits import Limits
from rules.rule import Rule
from tests.bench.bench_machine import BenchMachine
from tests.bench.control import DEFAULT, play, report
from tests.bench.hand_rules import Ewma, LastPart, MeanOfThree, own_features
from tests.bench.oracle import expected_errors
from tests.bench.score import corrections_at, front, rms_at, score
from tests.bench.superposed import INSPECTED, Entry, close_loop, filtered, held_by_machine
from tests.bench.vector_loop import Policy, run_policy

PARTS = 130


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
            else:
                news.append(PartPassed(part_id=number, at_us=number))
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
        lag = parts_before_entry(self.bench.machine.lag, [self.bench.delay] * len(self.entries))
        glimpse = Forecast(progress.outlooks, lag).after(0)
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


STABLE = BenchMachine(SITUATIONS["stable"])
FINE = 1e-6  # um: a register without a grid


def variance_of_a_datum(policy: Policy, delay: int = 0) -> float:
    """Of readings that only scatter, by 1 um, under a policy; the feature is the only one its register moves."""
    errors = STABLE.errors(4_000, range(10))
    steps = np.full(len(errors.registers), FINE)
    held, _ = run_policy(policy, errors, STABLE.centre_um, steps, delay)
    column = errors.features.index("7101/31")
    return float((errors.read_um + held @ errors.moves)[:, 100:, column].var())


def test_correcting_every_last_part_doubles_the_variance() -> None:
    """Rule 2 of the funnel: full correction of noise. Deming, Out of the Crisis (1986), ch. 11; exactly 2."""
    assert variance_of_a_datum(LastPart(own_features(STABLE))) == pytest.approx(2.0, abs=0.05)


@pytest.mark.parametrize("weight", [0.2, 0.5])
def test_correcting_an_ewma_of_noise_costs_what_theory_says(weight: float) -> None:
    """Integral control with gain G on pure noise has variance 2 / (2 - G): Box & Luceno (1997); from memory."""
    policy = Ewma(own_features(STABLE), weight).start(10)
    assert variance_of_a_datum(policy) == pytest.approx(2 / (2 - weight), abs=0.03)


def test_a_mean_of_three_corrects_noise_less() -> None:
    """The mean of three scatters by a third; held over the three parts that follow, it adds just that."""
    assert variance_of_a_datum(MeanOfThree(own_features(STABLE)).start(10)) == pytest.approx(1 + 1 / 3, abs=0.03)


def test_nobody_corrects_twice_before_the_first_entry_shows() -> None:
    """With five parts under way there is at most one entry in six parts for each register."""
    errors = STABLE.errors(600, [1])
    held, corrections = run_policy(
        LastPart(own_features(STABLE)), errors, STABLE.centre_um, np.full(len(errors.registers), FINE), delay=5
    )
    changed = np.flatnonzero(np.diff(held[0, :, errors.registers.index("work 54 X")]))
    assert set(np.diff(changed)) == {6}
    assert corrections == 6 * len(changed)  # the axis that nothing is measured in is left alone


@pytest.mark.parametrize("name", ["steady", "break-in", "long-lag"])
def test_the_oracle_foresees_wear_where_nothing_scatters(name: str) -> None:
    """Without noise and uneven steps, three parts of an edge tell it exactly what the first part in reach will be."""
    setup = SITUATIONS[name].setup()
    plan = replace(setup.plans[0], cuts=tuple(replace(cut, sd_um=1e-3) for cut in setup.plans[0].cuts))
    cutters = tuple(replace(cutter, walk_um=0.0) for cutter in setup.cutters)
    quiet = replace(SITUATIONS[name], machines=(replace(setup, plans=(plan,), cutters=cutters),))
    bench = BenchMachine(quiet)
    errors = bench.errors(700, [1, 2])
    expected = expected_errors(bench, errors)[:, :, errors.registers.index("tool 5 radius")]
    bore_um = errors.made_um[:, :, errors.features.index("7101/12")] - bench.centre_um[0]
    ahead = bench.delay + 1
    use = np.arange(700) % (setup.cutters[0].changed_every or 700)
    told = (use[:-ahead] >= 20) & (use[ahead:] > ahead)
    off_um = expected[:, :-ahead] + bore_um[:, ahead:] / 2  # a bore reads -2 for each um of its cutter
    assert np.abs(off_um[:, told]).max() < 0.02


def test_new_tools_take_what_was_entered_for_the_old_ones() -> None:
    """Both loops put the same zero into the registers of a new tool."""
    bench = BenchMachine(SITUATIONS["fast-wear"])
    errors = bench.errors(70, [1])
    run = next(filtered(bench, group, errors) for group in bench.groups if "tool 5 radius" in group.key)
    superposed = held_by_machine(errors, [(run.group, close_loop(run, Limits(), bench.delay, INSPECTED))])
    by_hand, _ = run_policy(LastPart(own_features(bench)), errors, bench.centre_um, np.ones(len(errors.registers)), 1)
    column = errors.registers.index("tool 5 radius")
    for held in (superposed, by_hand[0]):
        assert held[59, column] < -50
        assert held[60, column] == 0


def test_scores_add_up() -> None:
    """RMS, 95 % point, scrap and corrections of two runs together are those of all their parts."""
    half, settled = np.array([10.0]), np.array([False, True])
    one = score(np.array([[[3.0], [-4.0]]]), half, settled, 1)
    other = score(np.array([[[0.0], [12.0]]]), half, settled, 2)
    both = one + other
    assert both.rms_um == pytest.approx(np.sqrt((9 + 16 + 144) / 4))
    assert both.settled_um == pytest.approx(np.sqrt((16 + 144) / 2))
    assert both.p95_um == pytest.approx(12.0, abs=0.06)
    assert (both.out_share, both.per_100) == (0.25, 75.0)


def test_fronts_are_read_between_their_points() -> None:
    """Beaten settings are left out; between two points a front is straight on logarithms; it never goes uphill."""
    points = [(1.0, 8.0), (4.0, 2.0), (3.0, 9.0), (8.0, 2.5)]
    assert front(points) == [(1.0, 8.0), (4.0, 2.0)]
    assert rms_at(points, 2.0) == pytest.approx(4.0)
    assert rms_at(points, 50.0) == 2.0
    assert np.isnan(rms_at(points, 0.5))
    assert corrections_at(points, 4.0) == pytest.approx(2.0)
    assert corrections_at(points, 20.0) == 1.0
    assert np.isnan(corrections_at(points, 1.0))


def test_the_whole_bench_runs() -> None:
    """A short run of one scenario prints every row and every comparison; the oracle is the best of all."""
    ((name, scores),) = play(["fast-wear"], parts=130, seeds=[1, 2])
    lines = list(report(name, scores))
    for words in ("no correction", "mean of three", "trueup, defaults", "oracle", "settled: RMS / oracle's"):
        assert any(words in line for line in lines)
    assert scores[DEFAULT].rms_um < scores["no correction"].rms_um
    best = min(one.rms_um for one in scores.values())
    assert best == min(scores[key].rms_um for key in scores if isinstance(key, tuple) and key[0] == "oracle")
