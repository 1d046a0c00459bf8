"""The rules' arithmetic over arrays against the rules themselves."""

import math
from dataclasses import replace
from decimal import Decimal

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from feedback.replay.arithmetic import ANSWERS, Facts, Settings, bar_of, bounded, decided, onward_um
from rules.engine import decide
from rules.evidence import Evidence
from rules.guard import bound
from rules.limits import Limits
from rules.outlook import outlook
from tests.rules import strategies as some


def facts_of(evidence: Evidence, limits: Limits) -> Facts:
    """One register's evidence as arrays of one entry."""
    seen = outlook(evidence, limits)
    moved = [one for one in evidence.features if one.sensitivity]
    last = [abs(one.last_um) for one in evidence.features if one.last_um is not None]
    outside = [
        one.last_um is not None and not one.lower_um + one.guard_um <= one.last_um <= one.upper_um - one.guard_um
        for one in evidence.features
    ]
    since = evidence.parts_since_change

    def one(value: float) -> np.ndarray:
        return np.array([float(value)])

    return Facts(
        error_um=one(seen.error_um),
        sd_um=one(seen.sd_um),
        margin_um=one(seen.margin_um),
        half_um=np.array([[feature.half_um for feature in moved]]),
        pull=np.array([[abs(feature.sensitivity) for feature in moved]]),
        onward_um=np.array([onward_um(evidence.features, seen.error_um, evidence.wear_sign)]),
        drift_um=one(evidence.slope_um * evidence.wear_sign),
        slope_sd_um=one(evidence.slope_sd_um),
        wear_sign=one(evidence.wear_sign),
        is_tool=np.array([evidence.kind == "tool"]),
        parts=one(evidence.parts),
        bar=np.array([bar_of(evidence, limits)]),
        worst_um=one(max(last, default=-1.0)),
        is_outside=np.array([any(outside)]),
        since_change=one(math.inf if since is None else since),
        is_unproven=np.array([evidence.unproven is not None]),
        is_pending=np.array([evidence.pending is not None or evidence.rejected is not None]),
        may_grow=np.array([evidence.new_tool_recorded or evidence.growth_released]),
        travel_um=one(evidence.travel_um),
        now=one(math.nan if evidence.now is None else float(evidence.now / evidence.increment)),
        increment_mm=one(float(evidence.increment)),
    )


def assert_same(evidence: Evidence, limits: Limits) -> None:
    wanted = decide(evidence, limits)
    got = decided(facts_of(evidence, limits), Settings.of([limits]))
    assert ANSWERS[int(got.answer[0])] == wanted.answer
    change = Decimal(0) if wanted.step is None else wanted.step.change
    assert math.isclose(float(got.change[0]) * float(evidence.increment), float(change), abs_tol=1e-9)


@settings(max_examples=200)
@given(some.evidence(), some.limits(), st.none() | st.just("not seen yet"))
def test_arrays_answer_as_the_rules_do_whatever_is_known(
    evidence: Evidence, limits: Limits, unproven: str | None
) -> None:
    """A setting tried in bulk is the setting the shop would get."""
    assert_same(replace(evidence, unproven=unproven), limits)


@settings(max_examples=200)
@given(some.ready(), some.limits())
def test_arrays_correct_by_as_much_as_the_rules_do(evidence: Evidence, limits: Limits) -> None:
    """Where nothing stands in the way, the step is the same to the last increment."""
    assert_same(evidence, limits)


@settings(max_examples=150)
@given(
    st.integers(-300, 300),
    st.integers(-60_000, 60_000).map(lambda n: n / 1000),
    st.integers(0, 40),
    st.integers(-170, 170),
    st.sampled_from(("0.001", "0.0005", "0.00254")),
)
def test_steps_that_end_on_the_grid_are_not_one_increment_short(
    count: int, wish_um: float, step_um: int, travel_um: int, increment: str
) -> None:
    """Round limits make wishes that end exactly on the register's grid; they are kept whole."""
    limits = Limits(step_um=float(step_um))
    wanted = bound(count * Decimal(increment), wish_um, float(travel_um), Decimal(increment), limits)
    arrays = [np.array([value]) for value in (wish_um, float(step_um), 150.0, float(travel_um), float(count))]
    got = bounded(*arrays, np.array([float(increment)]))
    assert float(got[0]) == float(wanted.change / Decimal(increment))


def test_settings_are_worked_out_side_by_side() -> None:
    """One register under three settings gives what each gives alone."""
    each = [Limits(band=0.1), Limits(band=0.3, evidence=20), Limits(band=0.9)]
    evidence = some_ready()
    facts = facts_of(evidence, each[0])
    got = decided(facts, Settings.of(each))
    assert [ANSWERS[int(code)] for code in got.answer] == [decide(evidence, one).answer for one in each]
    assert [ANSWERS[int(code)] for code in got.answer] == ["correct", "wait", "leave"]


def some_ready() -> Evidence:
    from rules.cases import case, feature

    return case(feature(-8.0)).evidence
