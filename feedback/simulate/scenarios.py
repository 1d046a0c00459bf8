"""Everyday situations: what control is judged by. `SITUATIONS` has them by name."""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from feedback.simulate.plans import Cut, PartPlan
from feedback.simulate.reference import REFERENCE_PLAN
from feedback.simulate.scenario import Operator, Scenario, Setup
from feedback.simulate.warming import Growth
from feedback.simulate.wear import Cutter, WearCurve

_STEEL_CTE: Final = 11.7e-6  # steel 1020: Callister, appendix B, table B.6


_CUTS: Final = (
    Cut(id="12", name="bearing bore", kind="bore", nominal="25", tolerance="H7", tool=5, offset_um=10.5),
    Cut(id="13", name="seal bore", kind="bore", nominal="32", tolerance="H8", tool=5, offset_um=19.5),
    Cut(id="14", name="slot", kind="pocket", nominal="20", tolerance=("-0.020", "+0.020"), tool=6),
    Cut(id="15", name="web", kind="web", nominal="60", tolerance=("-0.020", "+0.020"), tool=6),
    Cut(
        id="21", name="seat", kind="floor", nominal="-18", tolerance=("-0.030", "+0.030"), tool=5, datum="37"
    ),
    Cut(id="22", name="recess", kind="depth", nominal="9", tolerance=("-0.030", "+0.030"), tool=6),
    Cut(id="31", name="cast pad, X", kind="datum", axis="X", nominal="0", tolerance=("-0.050", "+0.050")),
    Cut(id="37", name="cast pad, Z", kind="datum", axis="Z", nominal="0", tolerance=("-0.050", "+0.050")),
)  # fmt: skip
_SHARED: Final = (
    Cut(
        id="16", name="guide slot", kind="pocket", nominal="30", tolerance=("-0.020", "+0.020"), tool=5, other_tool=6
    ),
    Cut(id="17", name="tongue", kind="web", nominal="24", tolerance=("-0.020", "+0.020"), tool=5, other_tool=6),
)  # fmt: skip


def _plate(sd_um: float = 1.0, every: int = 1, more: tuple[Cut, ...] = ()) -> PartPlan:
    """Bores and a floor of tool 5, a slot, a web and a recess of tool 6; 25 H7 and 32 H8 aim at the middle."""
    cuts = tuple(replace(cut, sd_um=sd_um, every=every) for cut in (*_CUTS, *more))
    return PartPlan(part="7101", title="Bearing plate", material="steel 1020", cte_per_k=_STEEL_CTE, cuts=cuts)


def _cutter(number: int, um_per_part: float, changed_every: int) -> Cutter:
    """Edges past their break-in, that lose so much radius a part and half as much length; one wears unlike another."""
    return Cutter(
        number=number,
        radius=WearCurve(per_part_um=um_per_part),
        length=WearCurve(per_part_um=um_per_part / 2),
        rate_spread=0.1,
        walk_um=0.05,
        changed_every=changed_every,
    )


def _situation(
    name: str, words: str, setup: Setup, operator: Operator | None = None, noise_um: float = 1.0
) -> Scenario:
    return Scenario(name=name, words=words, machines=(setup,), operator=operator or Operator(), noise_um=noise_um)


_STEADY: Final = (_cutter(5, 0.3, 200), _cutter(6, 0.15, 300))

# VB in um over parts; 7 deg clearance. The shape of Groover's series at 155 m/min (see tests/simulate), slowed down to
# some hundred parts an edge.
_THREE_PHASES: Final = WearCurve(break_in_um=170.0, break_in=8.0, per_part_um=0.75, onset=180.0, acceleration_um=0.02)

SITUATIONS: Final[Mapping[str, Scenario]] = MappingProxyType(
    {
        scenario.name: scenario
        for scenario in (
            _situation(
                "steady",
                "Two cutters wear evenly; edges are changed on time.",
                Setup(plans=(_plate(),), cutters=_STEADY),
            ),
            _situation(
                "noisy",
                "The same wear under three times the scatter.",
                Setup(plans=(_plate(sd_um=3.0),), cutters=_STEADY),
                noise_um=3.0,
            ),
            _situation(
                "fast-wear",
                "A hard material takes 1.5 um of radius with every part.",
                Setup(plans=(_plate(),), cutters=(_cutter(5, 1.5, 60), _cutter(6, 0.8, 90))),
            ),
            _situation(
                "long-lag",
                "Six parts are under way when a correction is entered, and the operator takes three to accept it.",
                Setup(plans=(_plate(),), cutters=_STEADY, lag=6),
                Operator(accepts_after=3),
            ),
            _situation(
                "break-in",
                "Each new edge loses most in its first parts, then wears evenly, then fails faster and faster.",
                Setup(
                    plans=(_plate(),),
                    cutters=(
                        Cutter(
                            number=5,
                            radius=_THREE_PHASES.radial(7.0),
                            length=_THREE_PHASES.radial(7.0).scaled(0.5),
                            rate_spread=0.15,
                            walk_um=0.1,
                            changed_every=220,
                        ),
                    ),
                ),
            ),
            _situation(
                "rare-measurement",
                "Only every fifth part is probed.",
                Setup(plans=(_plate(every=5),), cutters=_STEADY, lag=5),
            ),
            _situation(
                "two-tools-sharing-features",
                "Two sizes have one wall from each of two cutters; the others tell whose wear it is.",
                Setup(plans=(_plate(more=_SHARED),), cutters=_STEADY),
            ),
            _situation("stable", "Nothing wears, moves or warms up: only scatter.", Setup(plans=(_plate(),))),
            _situation(
                "careless",
                "Steady wear; edges are changed without a record, and one correction in five goes wrong.",
                Setup(
                    plans=(_plate(),),
                    cutters=tuple(replace(cutter, recorded_share=0.5) for cutter in _STEADY),
                    chips=0.002,
                    misses=0.005,
                ),
                Operator(accepts_after=2, forgets=0.1, wrong_register=0.05, mistypes=0.05),
            ),
            Scenario(
                name="two-machines",
                words="Two machines cut two plans in turn; one of them warms up in the morning.",
                machines=(
                    Setup(
                        name="M1", plans=(_plate(), REFERENCE_PLAN), cutters=_STEADY, growth=Growth(z_um=12.0, y_um=4.0)
                    ),
                    Setup(name="M2", plans=(_plate(), REFERENCE_PLAN), cutters=_STEADY, ring_every=50),
                ),
            ),
        )
    }
)
