"""Evidence and limits of every kind, for the property tests of the rules."""

from dataclasses import replace
from decimal import Decimal
from typing import Literal

from hypothesis import strategies as st

from rules.evidence import Evidence, FeatureOutlook
from rules.limits import Limits

SENSITIVITIES = (-2.0, -1.0, 1.0, 2.0)
KINDS: tuple[Literal["tool", "work", "rotary"], ...] = ("tool", "tool", "work", "rotary")
WORDS = st.none() | st.just("some reason")


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_subnormal=False)


@st.composite
def features(draw: st.DrawFn, name: str = "12") -> FeatureOutlook:
    lower = draw(numbers(-60, 20))
    upper = lower + draw(numbers(0.5, 80))
    own = draw(numbers(-60, 60))
    return FeatureOutlook(
        id=name,
        name="bearing bore",
        sensitivity=draw(st.sampled_from(SENSITIVITIES)),
        before_um=own + (lower + upper) / 2,
        own_um=own,
        sd_um=draw(numbers(0, 20)),
        lower_um=lower,
        upper_um=upper,
        last_um=draw(st.none() | numbers(lower, upper) | numbers(-400, 400)),
        last_was_wild=draw(st.booleans()),
        guard_um=draw(st.sampled_from((0.0, 0.0, 1.6))),
    )


@st.composite
def evidence(draw: st.DrawFn) -> Evidence:
    kind = draw(st.sampled_from(KINDS))
    count = draw(st.integers(1, 4))
    increment = draw(st.sampled_from(("0.001", "0.0005", "0.00254", "0.0001")))
    return Evidence(
        register={"tool": "tool 5 radius", "work": "work 54 X", "rotary": "work 54 B"}[kind],
        kind=kind,
        part="118",
        features=tuple(draw(features(name=str(12 + place))) for place in range(count)),
        slope_um=draw(numbers(-2, 2)),
        slope_sd_um=draw(numbers(0, 1)),
        parts=draw(st.integers(0, 12)),
        parts_since_change=draw(st.none() | st.integers(0, 6)),
        now=draw(st.none() | st.decimals(-2, 2, places=4)),
        increment=Decimal(increment),
        travel_um=draw(numbers(-170, 170)),
        pending=draw(WORDS),
        rejected=draw(WORDS),
        wear_sign=draw(st.sampled_from((1, 1, 1, -1))),
        new_tool_recorded=draw(st.booleans()),
        growth_released=draw(st.booleans()),
        broken=draw(WORDS),
        locked=draw(WORDS),
        moving=draw(WORDS),
        fit_failed=draw(WORDS),
        doubt=draw(WORDS),
        cause=draw(st.sampled_from(("none", "wear", "new-edge", "part-moved", "warm-up", "probe", "unknown"))),
    )


@st.composite
def ready(draw: st.DrawFn) -> Evidence:
    """Evidence with nothing in the way but what the numbers say, so that corrections really come out."""
    drawn = draw(evidence())
    quiet = tuple(replace(f, sd_um=f.sd_um / 20, last_um=None) for f in drawn.features)
    return replace(
        drawn,
        features=quiet,
        parts=10,
        parts_since_change=None,
        now=drawn.now or Decimal("-0.012"),
        pending=None,
        rejected=None,
        growth_released=True,
        broken=None,
        locked=None,
        moving=None,
        doubt=None,
        cause="none",
    )


@st.composite
def limits(draw: st.DrawFn) -> Limits:
    return Limits(
        band=draw(numbers(0.05, 1)),
        aim=draw(numbers(0, 1)),
        step_um=draw(numbers(0, 40)),
        travel_um=draw(numbers(0, 200)),
        settle=draw(st.integers(0, 4)),
        evidence=draw(st.integers(1, 6)),
        confidence=draw(numbers(0.5, 0.999)),
    )
