"""What the tool setter tells about a tool by itself: broken, changed, or fine."""

import json
import math
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from feedback.configuration.groups import groups
from feedback.configuration.loading import from_texts
from feedback.follow import Follower, Happening, PartSeen, SetterSeen, ToolSeen
from feedback.locks import tells_of_break
from feedback.reading.layouts import load_layouts
from feedback.reading.reader import LogReader
from feedback.records import SetterReading
from feedback.registers import Register, register
from feedback.series import MeasurementRow, SetterRow, ToolRow, in_order
from feedback.setter import SetterWatch
from feedback.setter_series import SetterSeries
from feedback.simulate.cell import Cell
from feedback.simulate.plans import ToolSetter
from feedback.simulate.reference import REFERENCE_PLAN
from feedback.simulate.scenario import Scenario, Setup
from feedback.simulate.wear import Cutter, WearCurve
from feedback.simulate.writer import cell_texts
from feedback.trend.edges import Guess, expected, learnt
from feedback.trend.shape import States
from feedback.trend.together import Together, with_setter
from feedback.trend.tracker import GroupShape, Priors, Row, Tracker
from tests.stories.parts import cell_texts as story_texts
from tests.stories.story import machine

RADIUS = register("tool 5 radius")


def watch(implausible_mm: str = "0.3") -> SetterWatch:
    def implausible(_: Register) -> Decimal:
        return Decimal(implausible_mm)

    return SetterWatch(Decimal("0.2"), implausible, lambda mm: f"{mm} mm")


def looked(at_us: int, length: str | None = None, radius: str | None = None, tool: int = 5) -> SetterRow:
    return SetterRow(at_us, tool, length, radius, at_us, None, f"log:{at_us}", at_us)


def changed(at_us: int, tool: int = 5) -> ToolRow:
    return ToolRow(at_us, tool, at_us, None, f"log:{at_us}", at_us)


def test_the_first_reading_of_a_tool_is_compared_with_nothing() -> None:
    """What a tool measures when it is first seen is simply what it measures."""
    assert watch().see(looked(1, "132.4412", "4.9987")) is None


def test_a_tool_that_wore_is_not_broken() -> None:
    """Exactly the limit is not past it: a long backlog between two looks may hide that much wear."""
    setter = watch()
    assert setter.see(looked(1, "132.400", "5.000")) is None
    assert setter.see(looked(2, "132.200", "4.800")) is None


@pytest.mark.parametrize(
    ("length", "radius", "word"), [("132.199", "5.000", "shorter"), ("132.400", "4.799", "smaller")]
)
def test_a_tool_that_lost_more_than_the_limit_is_broken(length: str, radius: str, word: str) -> None:
    """Both lines are named, so that a person finds them."""
    setter = watch()
    setter.see(looked(1, "132.400", "5.000"))
    why = setter.see(looked(2, length, radius))
    assert why is not None
    assert f"0.201 mm {word} than before (log:1)" in why
    assert "(log:2)" in why
    assert tells_of_break(why)


def test_a_tool_that_grew_is_another_one() -> None:
    """Longer than any wear, with no new tool recorded: somebody has to look which tool stands there."""
    setter = watch()
    setter.see(looked(1, "132.400"))
    assert setter.see(looked(2, "132.690")) is None
    why = setter.see(looked(3, "133.000"))
    assert why is not None
    assert "0.310 mm longer" in why
    assert "no new tool was recorded" in why


def test_a_wide_break_limit_still_stops_at_the_implausible() -> None:
    """The shop may allow more loss than the register's limits call plausible; the narrower of the two counts."""
    setter = watch(implausible_mm="0.1")
    setter.see(looked(1, "132.400"))
    assert setter.see(looked(2, "132.280")) is not None


def test_a_new_tool_is_measured_afresh() -> None:
    """The tool before it was longer by two millimetres: that is no break."""
    setter = watch()
    setter.see(looked(1, "132.400"))
    assert setter.new_tool(changed(2))
    assert setter.see(looked(3, "130.400")) is None


def test_another_tools_change_excuses_nothing() -> None:
    """Tool 7 was changed, tool 5 is shorter: tool 5 is broken."""
    setter = watch()
    setter.see(looked(1, "132.400"))
    setter.new_tool(changed(2, tool=7))
    assert setter.see(looked(3, "130.400")) is not None


def test_each_axis_is_compared_with_its_own_last_reading() -> None:
    """A line that measures the length alone leaves the radius where it was."""
    setter = watch()
    setter.see(looked(1, "132.400", "5.000"))
    assert setter.see(looked(2, "132.399")) is None
    assert setter.see(looked(3, radius="4.7")) is not None


def test_a_reading_that_arrives_late_is_not_held_against_newer_ones() -> None:
    """Yesterday's file, found today, tells of yesterday's tool; so does a tool change in it."""
    setter = watch()
    setter.see(looked(10, "130.000"))
    assert setter.see(looked(5, "132.400")) is None
    assert not setter.new_tool(changed(6))
    assert setter.see(looked(11, "129.999")) is None


def test_after_a_break_the_next_reading_is_compared_with_it() -> None:
    """Once a person has released the shorter tool, its further readings are no news."""
    setter = watch()
    setter.see(looked(1, "132.400"))
    assert setter.see(looked(2, "131.400")) is not None
    assert setter.see(looked(3, "131.399")) is None


# The order of what happened -------------------------------------------------------------------------------------------


def told(happenings: list[Happening]) -> list[str]:
    names = {PartSeen: "part", ToolSeen: "new tool", SetterSeen: "setter"}
    return [f"{names[type(one)]} {getattr(one, 'source', '')}".strip() for one in happenings]


def test_a_look_inside_a_part_comes_before_its_readings() -> None:
    """The tool that was measured cut the part; one measured between parts comes after the part of the same time."""
    parts = [MeasurementRow(k, f"P{k}", k * 100, "4101/12", 1.0, ()) for k in (1, 2)]
    looks = [SetterRow(1, 5, "1", None, 200, 2, "log:9", 9), SetterRow(2, 5, "1", None, 100, None, "log:5", 5)]
    assert told(in_order(parts, [], [], looks)) == ["part", "setter log:5", "setter log:9", "part"]


def test_a_tool_measured_before_its_change_is_the_old_one() -> None:
    """Both lines bear the time of the part before them: what stands first in the log was first."""
    changes = [ToolRow(7, 5, 100, None, "log:4", 4)]
    looks = [SetterRow(1, 5, "1", None, 100, None, "log:3", 3), SetterRow(2, 5, "1", None, 100, None, "log:5", 5)]
    assert told(in_order([], [], changes, looks)) == ["setter log:3", "new tool log:4", "setter log:5"]


# The setter's readings in the trend -----------------------------------------------------------------------------------


def seen(length: str | None = None, radius: str | None = None, tool: int = 5) -> SetterSeen:
    return SetterSeen(
        tool=tool,
        length=None if length is None else Decimal(length),
        radius=None if radius is None else Decimal(radius),
        at_us=0,
        source="log",
    )


def series(*names: str) -> SetterSeries:
    return SetterSeries([register(name) for name in names or ("tool 5 radius",)], Decimal("0.2"))


def test_a_worn_tool_reads_smaller_and_its_register_is_the_more_wrong() -> None:
    """The first reading is the zero; 10 um less on the setter is a reading of -10 um, as sensitivity -1 wants it."""
    readings = series()
    readings.see(seen(radius="5.0000"))
    assert readings.readings({}) == (0.0,)
    readings.see(seen(radius="4.9900"))
    assert readings.readings({}) == pytest.approx((-10.0,))


def test_a_correction_moves_the_reading_as_it_moves_those_of_parts() -> None:
    """The register goes down by what the tool has lost: the reading is where it began."""
    readings = series()
    readings.see(seen(radius="5.0000"))
    readings.readings({})
    readings.see(seen(radius="4.9900"))
    assert readings.readings({RADIUS: -10.0}) == pytest.approx((0.0,))


def test_the_last_of_several_looks_counts_once() -> None:
    """Measured twice before one part and not at all before the next: one reading, then none."""
    readings = series()
    readings.see(seen(radius="5.0000"))
    readings.readings({})
    readings.see(seen(radius="4.9000"))
    readings.see(seen(radius="4.9980"))
    assert readings.readings({}) == pytest.approx((-2.0,))
    assert math.isnan(readings.readings({})[0])


def test_a_broken_tools_reading_is_no_wear() -> None:
    """Beyond the break limit it is left out; the estimate keeps what it knew of the tool that was."""
    readings = series()
    readings.see(seen(radius="5.0000"))
    readings.readings({})
    readings.see(seen(radius="4.7900"))
    assert math.isnan(readings.readings({})[0])


def test_a_new_tool_begins_at_zero() -> None:
    """Two tools are never equally long; only what one of them loses counts."""
    readings = series("tool 5 length", "tool 7 length")
    for tool in (5, 7):
        readings.see(seen("132.4412", tool=tool))
    readings.readings({})
    readings.new_tool(5)
    readings.see(seen("130.0000", tool=5))
    readings.see(seen("132.4400", tool=7))
    assert readings.readings({}) == pytest.approx((0.0, -1.2))


def test_the_series_goes_on_after_a_restart() -> None:
    """First reading, moves and the look that waits for its part are kept, as text that JSON carries."""
    readings = series()
    readings.see(seen(radius="5.0000"))
    readings.readings({RADIUS: -4.0})
    readings.see(seen(radius="4.9900"))
    again = SetterSeries([RADIUS], Decimal("0.2"), json.loads(json.dumps(readings.snapshot())))
    assert again.readings({RADIUS: -1.0}) == readings.readings({RADIUS: -1.0}) == pytest.approx((-5.0,))


# The trend of parts and setter together -------------------------------------------------------------------------------

WALL = GroupShape(("tool",), ((1.0,),), ("tool 5 radius",), ("feature 12",), ("mm",))
PRIORS = Priors(noise_um=4.0, setter_noise_um=1.0)


@dataclass
class Cutting:
    """A tool that wears, read by parts with 5 um of scatter and by a setter with 1 um."""

    rows: list[Row]
    setter_um: list[tuple[float, ...]]
    error_um: NDArray[np.float64]


def cutting(seed: int, parts: int = 40, wear_um: float = 0.4, setter_drift_um: float = 0.0) -> Cutting:
    rng = np.random.default_rng(seed)
    error = 3 + np.cumsum(wear_um + 0.1 * rng.normal(size=parts))
    tool = -error + setter_drift_um * np.arange(parts) + rng.normal(size=parts)
    read = error + 5 * rng.normal(size=parts)
    rows = [Row(str(k), (float(one),), (0.0,), (False,)) for k, one in enumerate(read)]
    return Cutting(rows, [(float(one - tool[0]),) for one in tool], error)


def test_the_shape_knows_which_features_are_parts() -> None:
    """One reading more, with an offset of its own that stands last; the lone wall still has none."""
    states = States(with_setter(WALL, [0]))
    assert states.sensitivity.tolist() == [[1.0], [-1.0]]
    assert states.own == (None, 2)
    assert states.told.tolist() == [[True], [False]]
    assert states.belonging_to(np.array([True])).tolist() == [True, True, True]


def test_parts_and_setter_together_know_more_and_are_right_as_often() -> None:
    """The next part is foreseen with a third less error, the 95 % intervals hold it in 90 % of cases or more, and two
    that are both right are seldom said to be apart."""
    off: dict[str, list[float]] = {"alone": [], "together": []}
    held, apart = list[bool](), list[float]()
    for seed in range(12):
        cut = cutting(seed)
        known = Together(WALL, [0], PRIORS).take(cut.rows, cut.setter_um)
        apart.append(float(known.apart.mean()))
        for name, outlooks in (("alone", Tracker(WALL, PRIORS).take(cut.rows)), ("together", known.outlooks)):
            seen = outlooks.predict(1)
            error = (seen.level_um[:-1, 0] - cut.error_um[1:])[10:]
            off[name] += error.tolist()
            held += (np.abs(error) < 1.96 * seen.level_sd_um[10:-1, 0]).tolist() if name == "together" else []
    rms = {name: float(np.sqrt(np.mean(np.square(errors)))) for name, errors in off.items()}
    assert rms["together"] < 0.67 * rms["alone"]
    assert np.mean(held) > 0.9
    assert np.mean(apart) <= 0.005


def test_a_setter_that_drifts_against_the_parts_does_not_pull_the_estimate() -> None:
    """It is told apart, and until then the estimate stays within three of its own standard deviations."""
    for seed in range(8):
        cut = cutting(seed, parts=60, wear_um=0.0, setter_drift_um=1.0)
        known = Together(WALL, [0], PRIORS).take(cut.rows, cut.setter_um)
        alone = Tracker(WALL, PRIORS).take(cut.rows).predict(1)
        pulled = np.abs(known.outlooks.predict(1).level_um - alone.level_um)
        assert known.apart.any()
        assert (pulled < 3 * alone.level_sd_um).all()
        assert (pulled[known.apart] == 0).all()


def test_the_setter_counts_as_no_part() -> None:
    """A part without a reading of the feature is no evidence, however often the tool was measured."""
    cut = cutting(1, parts=6)
    rows = [replace(row, readings=(math.nan,)) if k in (2, 3) else row for k, row in enumerate(cut.rows)]
    known = Together(WALL, [0], PRIORS).take(rows, cut.setter_um)
    assert known.outlooks.parts[:, 0].tolist() == [1, 2, 2, 2, 3, 4]
    assert known.outlooks.wild.shape == (6, 1)


def test_a_part_without_a_reading_still_learns_from_the_setter() -> None:
    """The tool wears twice as fast while nothing of it is probed: the setter's readings alone show it."""
    cut = cutting(2, parts=20, wear_um=0.5)
    rows = [replace(row, readings=(math.nan,)) if k >= 14 else row for k, row in enumerate(cut.rows)]
    faster = [(um[0] - 0.5 * max(0, k - 13),) for k, um in enumerate(cut.setter_um)]
    together, usual = (Together(WALL, [0], PRIORS).take(rows, um).outlooks for um in (faster, cut.setter_um))
    more = together.predict(0).level_um[-1, 0] - usual.predict(0).level_um[-1, 0]
    assert more == pytest.approx(3.0, abs=1.0)


def test_one_wild_setter_reading_is_waited_for() -> None:
    """A chip on the setter: the part's own reading is believed, and no cause is named for what only the setter saw."""
    cut = cutting(3, parts=20)
    setter = [(um[0] + 60.0,) if k == 15 else um for k, um in enumerate(cut.setter_um)]
    known = Together(WALL, [0], PRIORS).take(cut.rows, setter)
    assert known.apart[:, 0].nonzero()[0].tolist() == [15]
    assert known.outlooks.moving[15] is not None
    assert "the tool setter at tool 5 radius" in known.outlooks.moving[15]
    assert not known.outlooks.wild[15, 0]


def test_a_restart_changes_no_estimate() -> None:
    """Stopped in the middle and taken up again: the same numbers to the last bit."""
    cut = cutting(5)
    whole = Together(WALL, [0], PRIORS).take(cut.rows, cut.setter_um)
    first = Together(WALL, [0], PRIORS)
    first.take(cut.rows[:17], cut.setter_um[:17])
    again = Together(WALL, [0], PRIORS, json.loads(json.dumps(first.snapshot())))
    rest = again.take(cut.rows[17:], cut.setter_um[17:])
    assert np.array_equal(rest.outlooks.mean, whole.outlooks.mean[17:])
    assert np.array_equal(rest.outlooks.cov, whole.outlooks.cov[17:])


# What earlier edges tell of the next ----------------------------------------------------------------------------------


def edges(*means: float, var: float = 1.0) -> list[Guess]:
    return [Guess(mean, var) for mean in means]


def test_two_edges_are_chance() -> None:
    """Nothing is expected of the third."""
    assert expected(edges(8.0, 8.0), 20.0) is None


def test_edges_that_are_alike_tell_where_the_next_will_stand() -> None:
    """Five edges about 8 um too big: the next is expected there, more closely than any new tool, but no closer than
    each of them was known."""
    guess = expected(edges(7.5, 8.5, 8.0, 9.0, 7.0), 20.0)
    assert guess is not None
    assert guess.mean_um == pytest.approx(8.0, abs=0.2)
    assert 1.0 < math.sqrt(guess.var) < 4.0


def test_edges_that_differ_as_new_tools_do_tell_nothing() -> None:
    """Either way by ten or twenty: the usual spread about zero says as much."""
    assert expected(edges(-18.0, 15.0, -9.0, 20.0), 20.0) is None


def test_the_expectation_holds_what_comes() -> None:
    """Over edges drawn about 8 um with a spread of 2, known to 0.7 um each, the 95 % interval of the next one holds it
    in at least 93 % of cases, from three edges on."""
    rng = np.random.default_rng(1)
    held = []
    for count in (3, 4, 6, 12):
        for _ in range(300):
            true = 8 + 2 * rng.normal(size=count + 1)
            found = [Guess(float(one + 0.7 * rng.normal()), 0.49) for one in true[:-1]]
            guess = expected(found, 20.0) or Guess(0.0, 400.0)
            held.append(abs(true[-1] - guess.mean_um) < 1.96 * math.sqrt(guess.var))
    assert np.mean(held) > 0.93


def test_what_was_expected_is_taken_out_again() -> None:
    """Three parts that say 10 um, met with an expectation of 0: remembered is what the parts said."""
    before, said = Guess(0.0, 4.0), Guess(10.0, 1.0)
    after = Guess((before.mean_um / before.var + said.mean_um / said.var) / (1 / 4 + 1), 1 / (1 / 4 + 1))
    own = learnt(before, after)
    assert own is not None
    assert own == pytest.approx(said)
    assert learnt(before, Guess(0.1, 3.9)) is None


def seventh_edge(seed: int, *, is_first: bool) -> tuple[float, float]:
    """After the first part of an edge that stands 12 um too small: how wrong the estimate is, and how wrong it may be.

    The six before were all about 12 um too small too; or there was one edge all the time. Bores scatter by 6 um.
    """
    rng = np.random.default_rng(seed)
    read = from_texts(Path("cell"), story_texts([machine()]))
    group = next(group for group in groups(read, "M1") if RADIUS in group.registers)
    following = Follower(group, read.machines["M1"])
    error_um, happened = 0.0, list[Happening]()
    for number in range(1, 38):
        if number == 37 or (number % 6 == 1 and not is_first):
            happened.append(ToolSeen(tool=5, at_us=number * 10 - 5, source="log"))
            error_um = 12.0 if number == 37 else 12.0 + rng.normal()
        bore = {"4101/12": 10.5 - 2 * error_um + 4 * rng.normal()}
        happened.append(PartSeen(part_id=number, part=str(number), at_us=number * 10, deviations=bore))
    outlooks = following.advance(happened).outlooks
    assert outlooks is not None
    seen = outlooks.predict(0)
    return abs(float(seen.level_um[-1, 0]) - 12.0), float(seen.level_sd_um[-1, 0])


def test_the_first_part_of_a_new_tool_is_foreseen_by_those_before() -> None:
    """With edges that are all off alike, the first part's estimate is wrong by less than two thirds, and says so."""
    known = np.array([seventh_edge(seed, is_first=False) for seed in range(12)])
    new = np.array([seventh_edge(seed, is_first=True) for seed in range(12)])
    assert np.sqrt(np.mean(known[:, 0] ** 2)) < 0.67 * np.sqrt(np.mean(new[:, 0] ** 2))
    assert known[:, 1].mean() < 0.85 * new[:, 1].mean()
    assert np.sqrt(np.mean((known[:, 0] / known[:, 1]) ** 2)) < 1.3


# What the simulated setter prints -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "radius"), [("mm", "radius"), ("inch", "diameter")], ids=["mm, radius", "inch, diameter"]
)
def test_the_simulated_setter_measures_what_is_left_of_the_tool(unit: Any, radius: Any) -> None:
    """With hardly any scatter the printed radius and length are those of the worn tool, as the product reads them."""
    wear = WearCurve(per_part_um=2.0)
    cutter = Cutter(number=5, radius=wear, length=wear)
    setup = Setup(
        plans=(REFERENCE_PLAN,),
        cutters=(cutter,),
        setter=ToolSetter(every=2, sd_um=0.01),
        unit=unit,
        tool_radius=radius,
    )
    cell = Cell(Scenario(name="-", words="-", machines=(setup,)), seed=1)
    facts = from_texts(Path("cell"), cell_texts(cell.scenario)).machines["M1"]
    assert facts.setter_mm == Decimal("0.00001")
    text = "".join(cell.log_text(part) for part in cell.machine().cut_parts(6))
    records = LogReader(load_layouts(None)["pairs"], facts).push(text.encode())
    found = [record for record in records if isinstance(record, SetterReading) and record.tool == 5]
    lost_um = [(5.0 - float(record.radius or 0)) * 1000 for record in found]
    assert lost_um == pytest.approx([0.0, 4.0, 8.0], abs=0.3)
    assert [float(record.length or 0) - 132.4412 for record in found] == pytest.approx([0, -0.004, -0.008], abs=3e-4)
