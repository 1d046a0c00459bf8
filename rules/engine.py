"""From evidence to a decision: ask every rule, keep every answer, and let silence mean no."""

from collections.abc import Sequence
from decimal import Decimal
from functools import lru_cache

from rules.catalogue import RULES
from rules.evidence import Evidence
from rules.guard import Bounded, bound
from rules.life import parts_left
from rules.limits import Limits
from rules.outlook import outlook
from rules.rule import Rule
from rules.verdicts import (
    VERDICT_WORD,
    Answer,
    Decision,
    FeatureForecast,
    Hold,
    Reason,
    Step,
    Stop,
    Verdict,
    Wait,
    Wish,
)

Judged = tuple[Rule, Verdict]

_UNKNOWN = Decimal("NaN")
GUARD = "step"  # the name under which the guard's answer is kept beside the rules'


def decide(evidence: Evidence, limits: Limits, rules: Sequence[Rule] = RULES) -> Decision:
    """One register's answer under these limits, with every rule's verdict and, where a correction is due, the step.

    A stop wins; without a wish only rules that stand alone count; then a hold wins over a wait. The guard may leave
    nothing of a wish: then the answer is leave, with its reason. A part out of tolerance stops the run, but the
    correction may be the very cure: where nothing else speaks against it, the stop carries its step.
    """
    judged = [(rule, rule.judge(evidence, limits)) for rule in rules]
    reasons = [_reason(rule.name, VERDICT_WORD[type(verdict)], verdict.words) for rule, verdict in judged]
    answer = weigh(judged)
    step = None
    if weigh([one for one in judged if not _is_curable(*one)]) == "correct":
        left = bounded(evidence, limits, wished_um(judged))
        reasons.append(Reason(GUARD, "cut" if left.was_cut else "whole", left.words))
        step = _step(evidence, left)
        if answer == "correct" and step is None:
            answer = "leave"
    return _decision(evidence, limits, answer, tuple(reasons), step)


def _is_curable(rule: Rule, verdict: Verdict) -> bool:
    """A stop that a correction may end."""
    return isinstance(verdict, Stop) and not rule.ends_proposals


def weigh(judged: Sequence[Judged]) -> Answer:
    """The answer all verdicts give together; "correct" only where there is a wish and nothing but wishes and clears."""
    given = {type(verdict) for _, verdict in judged}
    if Stop in given:
        return "stop"
    if Wish not in given:
        given = {type(verdict) for rule, verdict in judged if rule.stands_alone}
    if Hold in given:
        return "hold"
    if Wait in given:
        return "wait"
    return "correct" if Wish in given else "leave"


@lru_cache(maxsize=512)
def _reason(rule: str, verdict: str, words: str) -> Reason:
    """Most rules say the same words part after part; those reasons are made once."""
    return Reason(rule, verdict, words)


def wished_um(judged: Sequence[Judged]) -> float:
    """All wishes together, in register micrometres."""
    return sum(verdict.change_um for _, verdict in judged if isinstance(verdict, Wish))


def bounded(evidence: Evidence, limits: Limits, wish_um: float) -> Bounded:
    """What the guard leaves of `wish_um` for this register; nothing where the log never showed what it holds."""
    now = _UNKNOWN if evidence.now is None else evidence.now
    return bound(now, wish_um, evidence.travel_um, evidence.increment, limits, evidence.kind)


def _step(evidence: Evidence, left: Bounded) -> Step | None:
    """The bounded step with its forecasts, or None where nothing is left of it."""
    if left.change == 0:
        return None
    forecasts = tuple(
        FeatureForecast(
            id=feature.id,
            before_um=feature.before_um,
            after_um=feature.before_um + feature.sensitivity * left.change_um,
            lower_um=feature.lower_um,
            upper_um=feature.upper_um,
        )
        for feature in evidence.features
    )
    return Step(now=left.now, change=left.change, new=left.new, was_cut=left.was_cut, forecasts=forecasts)


def _decision(
    evidence: Evidence, limits: Limits, answer: Answer, reasons: tuple[Reason, ...], step: Step | None
) -> Decision:
    seen = outlook(evidence, limits)
    left = parts_left(evidence, limits)
    return Decision(
        register=evidence.register,
        part=evidence.part,
        answer=answer,
        error_um=seen.error_um,
        sd_um=seen.sd_um,
        reasons=reasons,
        step=step,
        parts_left=left.parts if left else None,
        parts_left_low=left.low if left else None,
        parts_left_high=left.high if left else None,
    )
