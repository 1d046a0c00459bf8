"""What holds for every rule and for all of them together, whatever the evidence."""

from copy import deepcopy
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from rules.catalogue import RULES
from rules.engine import decide
from rules.evidence import Evidence
from rules.limits import Limits
from rules.rule import Rule
from rules.verdicts import Wish
from tests.rules import strategies

MANY = settings(max_examples=80)
ANY = strategies.evidence() | strategies.ready()


def wider(evidence: Evidence, by_um: float) -> Evidence:
    features = tuple(replace(f, sd_um=f.sd_um + by_um) for f in evidence.features)
    return replace(evidence, features=features, slope_sd_um=evidence.slope_sd_um + by_um / 10)


def fewer_facts(evidence: Evidence, parts: int) -> Evidence:
    return replace(
        evidence,
        parts=min(evidence.parts, parts),
        parts_since_change=None if evidence.parts_since_change is None else min(evidence.parts_since_change, parts),
        now=None,
        new_tool_recorded=False,
        growth_released=False,
    )


def wished(rule: Rule, evidence: Evidence, limits: Limits) -> float:
    verdict = rule.judge(evidence, limits)
    return abs(verdict.change_um) if isinstance(verdict, Wish) else 0.0


@MANY
@given(evidence=ANY, limits=strategies.limits())
def test_the_same_evidence_gives_the_same_verdict(evidence: Evidence, limits: Limits) -> None:
    """Asked twice, or about an equal copy, every rule says the same; and it leaves what it was given as it was."""
    before = deepcopy((evidence, limits))

    verdicts = [rule.judge(evidence, limits) for rule in RULES]

    assert [rule.judge(evidence, limits) for rule in RULES] == verdicts
    assert [rule.judge(*before) for rule in RULES] == verdicts
    assert (evidence, limits) == before


@MANY
@given(evidence=ANY, limits=strategies.limits(), by_um=st.floats(0, 50))
def test_a_wider_spread_never_enlarges_a_wish(evidence: Evidence, limits: Limits, by_um: float) -> None:
    """Knowing less never asks for more."""
    less_sure = wider(evidence, by_um)

    for rule in RULES:
        assert wished(rule, less_sure, limits) <= wished(rule, evidence, limits), rule.name


@MANY
@given(evidence=ANY, limits=strategies.limits(), parts=st.integers(0, 3))
def test_fewer_facts_never_make_a_rule_wish(evidence: Evidence, limits: Limits, parts: int) -> None:
    """What held with more facts does not become a wish with fewer."""
    poorer = fewer_facts(evidence, parts)

    for rule in RULES:
        assert wished(rule, poorer, limits) <= wished(rule, evidence, limits), rule.name


@MANY
@given(evidence=ANY, limits=strategies.limits(), by_um=st.floats(0, 50))
def test_a_wider_spread_never_makes_a_correction(evidence: Evidence, limits: Limits, by_um: float) -> None:
    """Where the shop was told to leave, wait, hold or stop, more noise does not turn that into a correction."""
    if decide(evidence, limits).answer != "correct":
        assert decide(wider(evidence, by_um), limits).answer != "correct"


@MANY
@given(evidence=ANY, limits=strategies.limits(), parts=st.integers(0, 3))
def test_a_correction_needs_every_fact(evidence: Evidence, limits: Limits, parts: int) -> None:
    """Where the log never showed the register, nothing is proposed, whatever else is known."""
    assert decide(fewer_facts(evidence, parts), limits).answer != "correct"


@MANY
@given(evidence=ANY, limits=strategies.limits())
def test_any_single_objection_prevents_a_correction(evidence: Evidence, limits: Limits) -> None:
    """No combination of wishes outvotes one wait, hold or stop."""
    decision = decide(evidence, limits)
    said = {reason.verdict for reason in decision.reasons}

    stops = {reason.rule for reason in decision.reasons if reason.verdict == "stop"}
    assert decision.step is None or decision.answer == "correct" or stops == {"tolerance"}
    assert decision.step is not None or decision.answer != "correct"
    if decision.step is not None:
        assert said <= {"wish", "clear", "whole", "cut"}
    if "stop" in said:
        assert decision.answer == "stop"


@MANY
@given(evidence=strategies.ready(), limits=strategies.limits())
def test_a_correction_stays_inside_every_limit(evidence: Evidence, limits: Limits) -> None:
    """A step is against the error, no longer than step and wish, on the grid, and inside the travel."""
    decision = decide(evidence, limits)
    if decision.step is None:
        return
    step, change_um = decision.step, float(decision.step.change) * 1000
    grain = 1e-9

    assert step.now + step.change == step.new
    assert step.new % evidence.increment == 0
    assert change_um * decision.error_um < 0
    assert abs(change_um) <= limits.step_um + grain
    assert abs(evidence.travel_um + change_um) <= max(limits.travel_um, abs(evidence.travel_um)) + grain


@MANY
@given(evidence=strategies.ready(), limits=strategies.limits())
def test_a_correction_never_brings_a_feature_nearer_to_scrap(evidence: Evidence, limits: Limits) -> None:
    """After a step the feature nearest to its limit has more room than before, or still lies inside its band."""
    decision = decide(evidence, limits)
    if decision.step is None:
        return
    change_um = float(decision.step.change) * 1000

    before = min(f.half_um - abs(f.own_um) for f in evidence.features)
    after = min(f.half_um - abs(f.own_um + f.sensitivity * change_um) for f in evidence.features)
    all_in_band = all(
        abs(f.own_um + f.sensitivity * change_um) <= limits.band * f.half_um + 1e-9 for f in evidence.features
    )

    assert after >= before - 1e-9 or all_in_band
