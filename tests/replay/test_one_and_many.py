"""One setting by the rules themselves against many settings by arithmetic; and nobody looks ahead."""

from dataclasses import replace

import numpy as np
import pytest

from feedback.configuration.facts import LIKELIHOOD
from feedback.replay.arithmetic import ANSWERS
from feedback.replay.deciding import ALONE, Task, behind, beside, outcomes, work
from feedback.replay.following import follow_group
from feedback.replay.lanes import side_by_side
from feedback.replay.many import decide_many
from feedback.replay.one import Replayed, decide_again
from feedback.replay.past import GroupPast
from feedback.replay.told import told
from feedback.simulate.errors import SimulatedErrors
from feedback.simulate.scenarios import SITUATIONS
from rules.limits import Limits
from tests.bench.bench_machine import BenchMachine
from tests.replay import shop

EACH = (
    Limits(),
    Limits(band=0.15, aim=1.0),
    Limits(band=0.6, confidence=0.9, evidence=2),
    Limits(settle=4, evidence=5),
    Limits(step_um=2.0, travel_um=30.0, settle=1),
)
PARTS = 230


@pytest.fixture(scope="module", params=["steady", "careless", "rare-measurement", "two-tools-sharing-features"])
def pasts(request: pytest.FixtureRequest) -> list[GroupPast]:
    return shop.uncorrected(request.param, PARTS, seed=4)


def by_the_rules(pasts: list[GroupPast], limits: Limits) -> list[Replayed]:
    return [
        decide_again(past, lanes, [limits] * len(past.group.registers))
        for past, lanes in zip(pasts, shop.lanes(pasts), strict=True)
    ]


def test_many_settings_at_once_give_what_each_gives_by_the_rules(pasts: list[GroupPast]) -> None:
    """A search over limits tells of each setting what replaying it alone would tell, to the last increment."""
    table = side_by_side(shop.lanes(pasts))
    many = decide_many(table, [[limits] * len(table.names) for limits in EACH], keep_paths=True)
    assert many.held_um is not None
    assert many.answer is not None
    corrected = 0
    for setting, limits in enumerate(EACH):
        start = 0
        for one in by_the_rules(pasts, limits):
            rows, registers = one.extra_um.shape
            lanes = slice(start, start + registers)
            assert np.array_equal(one.extra_um, many.held_um[:rows, lanes, setting])
            said = {(entry.row, entry.column): entry.decision.answer for entry in one.said}
            answers = many.answer[:rows, lanes, setting]
            assert {
                (int(row), int(column)): ANSWERS[answers[row, column]] for row, column in np.argwhere(answers != 0)
            } == said
            assert many.alarms[lanes, setting].tolist() == one.alarms.tolist()
            corrected += sum(entry.acts is not None for entry in one.corrections)
            start += registers
    assert corrected > 20


def test_sums_of_many_settings_are_those_of_the_readings(pasts: list[GroupPast]) -> None:
    """Spread, share out of tolerance and corrections of a setting are counted from the readings it would have given.

    Readings that came to be in doubt count nowhere.
    """
    void = np.arange(PARTS) % 23 < 3
    pasts = [replace(past, void=void[: len(past)]) for past in pasts]
    table = side_by_side(shop.lanes(pasts))
    many = decide_many(table, [[limits] * len(table.names) for limits in EACH])
    for setting, limits in enumerate(EACH):
        ones = by_the_rules(pasts, limits)
        squares, outside = 0.0, 0
        for one in ones:
            believed = one.read_um[~one.past.void]
            off = believed - (one.past.lower_um + one.past.upper_um) / 2
            squares += float(np.sum(np.square(off[~np.isnan(off) & ~one.past.wild[~one.past.void]])))
            outside += int(np.sum((believed < one.past.lower_um) | (believed > one.past.upper_um)))
        assert many.squares[:-1, :, setting].sum() == pytest.approx(squares, rel=1e-9)
        assert many.outside[:-1, :, setting].sum() == outside
        entered = sum(entry.acts is not None for one in ones for entry in one.corrections)
        assert many.corrections[:-1, :, setting].sum() == entered


def test_the_same_bytes_come_out_however_the_work_is_cut() -> None:
    """Two processes, a cluster or one: which lanes and settings are worked out together changes nothing."""
    lanes = shop.lanes(shop.uncorrected("steady", 120, seed=2))
    settings = [[limits] * sum(len(one.names) for one in lanes) for limits in EACH]
    whole = outcomes(lanes, settings, ALONE)
    names = [len(one.names) for one in lanes]
    starts = np.cumsum([0, *names])
    columns = []
    for few in (settings[:2], settings[2:]):
        tasks = [
            Task((one,), tuple(tuple(limits[start : start + len(one.names)]) for limits in few))
            for start, one in zip(starts, lanes, strict=False)
        ]
        columns.append(beside([work(task) for task in tasks]))
    pieces = behind(columns)
    for name in ("squares", "outside", "room_um", "corrections", "held", "stopped", "alarms", "read", "parts"):
        assert getattr(whole, name).tobytes() == getattr(pieces, name).tobytes(), name


def test_no_earlier_decision_moves_when_the_future_does() -> None:
    """What happened after a part cannot have been known at that part: another future changes nothing before it."""
    bench = BenchMachine(SITUATIONS["steady"])
    errors, cut = bench.errors(PARTS, [6]), 120
    other = replace(errors, read_um=errors.read_um.copy())
    other.read_um[0, cut:] += np.random.default_rng(1).normal(0, 25, other.read_um[0, cut:].shape)
    lived = [followed_together(bench, one) for one in (errors, other)]
    for pasts in zip(*lived, strict=True):
        found = [decide_again(past, shop.lanes([past])[0], [Limits()] * len(past.group.registers)) for past in pasts]
        before = [[entry for entry in one.said if one.past.part_id[entry.row] < cut] for one in found]
        assert before[0] == before[1]
        rows = int(np.searchsorted(found[0].past.part_id, cut))
        assert np.array_equal(found[0].extra_um[:rows], found[1].extra_um[:rows])
        assert np.array_equal(pasts[0].told[:rows], pasts[1].told[:rows])
    assert found[0].said != found[1].said
    assert any(not np.array_equal(one.told, another.told) for one, another in zip(*lived, strict=True))


def followed_together(bench: BenchMachine, errors: SimulatedErrors) -> list[GroupPast]:
    """The pasts of the machine's groups, with what all of them together told."""
    numbers = {part: part for part in range(PARTS)}
    found = [
        follow_group(group, bench.machine, shop.happenings(group, errors, PARTS), numbers, ()) for group in bench.groups
    ]
    known = [one for one in found if one is not None]
    return [replace(one.past, told=causes) for one, causes in zip(known, told(known, LIKELIHOOD), strict=True)]


def test_nothing_is_decided_before_the_span_begins() -> None:
    """A replay of the last week leaves the weeks before as they were, real corrections included."""
    (past, *_) = (one for one in shop.uncorrected("steady", 150, seed=3) if "tool 5 radius" in one.group.key)
    span = past.window(int(past.at_us[60]), int(past.at_us[119]))
    assert (len(span), span.first) == (120, 60)
    one = decide_again(span, shop.lanes([span])[0], [Limits()])
    assert not one.extra_um[:60].any()
    assert min(entry.decided for entry in one.corrections) >= 60
    many = decide_many(shop.lanes([span])[0], [[Limits()]], keep_paths=True)
    assert many.held_um is not None
    assert np.array_equal(one.extra_um, many.held_um[:, :, 0])
    assert many.parts[:-1].sum() == 60
