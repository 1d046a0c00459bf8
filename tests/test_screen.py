"""The screen of plain parts, held against the rules it spares."""

from decimal import Decimal
from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from feedback.configuration.facts import Feature, Group, Guard
from feedback.follow import Moment, PartSeen
from feedback.registers import tool_register
from feedback.screen import Screen
from rules.engine import decide
from rules.evidence import Evidence, FeatureOutlook
from rules.limits import Limits

RADIUS = tool_register(5, "radius")
SENSITIVITIES = st.sampled_from([-2, 2, -1, 1])
um = st.floats(-60, 60, allow_nan=False)


@st.composite
def features(draw: st.DrawFn) -> list[tuple[int, float, float, float, float | None]]:
    """(sensitivity, half tolerance, centre, own, last reading)."""
    found = []
    for _ in range(draw(st.integers(1, 3))):
        half, centre = draw(st.floats(3, 40)), draw(st.floats(-10, 10))
        own = draw(st.floats(-1.3, 1.3)) * half * 0.3
        last = draw(st.none() | st.just(centre + own) | um)
        found.append((draw(SENSITIVITIES), half, centre, own, last))
    return found


def feature(index: int, sensitivity: int, half: float, centre: float) -> Feature:
    return Feature(
        plan="4101",
        id=str(index),
        name="bore",
        kind="bore",
        unit="mm",
        nominal=Decimal(25),
        lower=Decimal((centre - half) / 1000),
        upper=Decimal((centre + half) / 1000),
        tool=5,
        moves={RADIUS: Fraction(sensitivity)},
    )


@settings(max_examples=400)
@given(features(), st.booleans(), st.integers(0, 5), st.sampled_from((0.0, 2.5)))
def test_what_the_screen_calls_quiet_the_rules_leave_alone(
    described: list[tuple[int, float, float, float, float | None]], unsettled: bool, parts: int, guard_um: float
) -> None:
    """A part that is not asked about in a backlog is one that every rule would have left alone."""
    limits = Limits()
    watched = tuple(feature(i, *d[:3]) for i, d in enumerate(described))
    guards = {one.key: Guard(band_um=guard_um) for one in watched}
    group = Group(machine="M1", registers=(RADIUS,), features=watched, guards=guards)
    deviations = {f"4101/{i}": d[4] for i, d in enumerate(described) if d[4] is not None}
    seen = PartSeen(part_id=1, part="118", at_us=0, deviations=deviations)
    own = np.array([[[d[3]] for d in described]])
    forecast: Any = SimpleNamespace(
        prediction=SimpleNamespace(own_um=own), outlooks=SimpleNamespace(unsettled=np.array([[unsettled]]))
    )

    quiet = Screen(group, [limits]).quiet([Moment(seen=seen, tracks={}, changes=())], forecast)[0][0]

    evidence = Evidence(
        register=str(RADIUS),
        kind="tool",
        part="118",
        features=tuple(
            FeatureOutlook(
                id=str(i), name="bore", sensitivity=s, before_um=c + own, own_um=own, sd_um=0.5,
                lower_um=float(Decimal((c - half) / 1000)) * 1000, upper_um=float(Decimal((c + half) / 1000)) * 1000,
                last_um=last, guard_um=guard_um,
            )
            for i, (s, half, c, own, last) in enumerate(described)
        ),
        parts=parts,
        now=Decimal("0.010"),
        moving="something moved" if unsettled else None,
    )  # fmt: skip
    if quiet:
        assert decide(evidence, limits).answer == "leave"


def test_a_plain_part_is_quiet_and_a_bad_one_is_not() -> None:
    """The screen does spare the plain parts; one out of tolerance or out of its band is asked about."""
    group = Group(machine="M1", registers=(RADIUS,), features=(feature(0, -2, 10.0, 10.0),))

    def quiet(own_um: float, last_um: float) -> bool:
        seen = PartSeen(part_id=1, part="118", at_us=0, deviations={"4101/0": last_um})
        forecast: Any = SimpleNamespace(
            prediction=SimpleNamespace(own_um=np.array([[[own_um]]])),
            outlooks=SimpleNamespace(unsettled=np.array([[False]])),
        )
        return Screen(group, [Limits()]).quiet([Moment(seen=seen, tracks={}, changes=())], forecast)[0][0]

    assert quiet(1.0, 11.0)
    assert not quiet(3.1, 11.0)
    assert not quiet(1.0, 20.5)
    assert not quiet(float("nan"), 11.0)
