"""The bench that judges tune's front plays a setting as the bench of control does, and reads intervals right."""

import pytest

from feedback.replay.lanes import BLOCKS
from feedback.replay.tuning import CHOSEN_ON, Span, Tried
from feedback.simulate.scenarios import SITUATIONS
from rules.limits import Limits
from tests.bench.bench_machine import BenchMachine
from tests.bench.control import trueup_score
from tests.bench.front import Fresh, Row
from tests.bench.score import rms_at
from tests.bench.superposed import INSPECTED, filtered

LATER = Span(parts=80, corrections=8, per_100=10.0, rms_um=5.0, outside=0.0, held=0, stopped=0)


def reported(limits: Limits) -> Tried:
    """RMS 5 um and 10 corrections for 100 parts on the later span, in stretches that differ a little."""
    squares = tuple(250.0 + 25 * (-1) ** k for k in range(BLOCKS))
    corrected = tuple(1 + (k % 2) - (k % 4 == 1) for k in range(BLOCKS))
    return Tried(limits=limits, first=LATER, later=LATER, squares=squares, read=(10,) * BLOCKS, corrected=corrected)


def test_a_setting_is_played_as_control_plays_it() -> None:
    """The same parts, the same corrections, the same oracle: the two benches can be read side by side."""
    bench, limits, parts = BenchMachine(SITUATIONS["fast-wear"]), Limits(band=0.2), 130
    fresh = Fresh(bench, parts, [31])
    row = fresh.row(reported(limits))
    errors = bench.errors(parts, [31])
    runs = [filtered(bench, group, errors) for group in bench.groups]
    score = trueup_score(bench, errors, runs, limits, INSPECTED)
    oracle = [one.point for one in fresh.oracle]
    assert row.ratio == pytest.approx(score.rms_um / rms_at(oracle, score.per_100))
    assert 0.8 < row.ratio < 2
    later = row.fresh[0] * (parts - parts * CHOSEN_ON // BLOCKS) / 100
    assert later == pytest.approx(round(later))
    assert 0 < later < score.corrections


@pytest.mark.parametrize(
    ("fresh", "inside"),
    [((10.0, 5.0), (True, True)), ((10.0, 7.0), (False, True)), ((40.0, 5.0), (True, False))],
)
def test_what_fresh_parts_gave_is_held_against_what_was_stated(
    fresh: tuple[float, float], inside: tuple[bool, bool]
) -> None:
    """RMS and corrections are each inside or outside of their own interval."""
    assert Row(reported(Limits()), fresh, 1.0).inside == inside
