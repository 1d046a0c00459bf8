"""Builds the small cases every rule carries: a bore cut by tool 5, due for a correction unless the case says no."""

from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from rules.evidence import Evidence, FeatureOutlook
from rules.limits import Limits


@dataclass(frozen=True, slots=True)
class Case:
    """One situation a rule is asked about."""

    evidence: Evidence
    limits: Limits


def feature(own_um: float = -14.0, **facts: Any) -> FeatureOutlook:
    """A 25 H7 bore (0 to +21 um) `own_um` away from the centre of its tolerance; `facts` are FeatureOutlook fields."""
    bore = FeatureOutlook(
        id="12",
        name="bearing bore",
        sensitivity=-2.0,
        before_um=own_um + 10.5,
        own_um=own_um,
        sd_um=1.0,
        lower_um=0.0,
        upper_um=21.0,
        last_um=10.5,
    )
    return replace(bore, **facts)


def case(*features: FeatureOutlook, limits: Limits | None = None, **facts: Any) -> Case:
    """Tool 5's radius, 7 um too big for its bore, ten parts behind the estimate; `facts` are Evidence fields."""
    ready = Evidence(
        register="tool 5 radius",
        kind="tool",
        part="118",
        features=features or (feature(),),
        parts=10,
        now=Decimal("-0.012"),
        travel_um=-12.0,
    )
    return Case(replace(ready, **facts), limits or Limits())
