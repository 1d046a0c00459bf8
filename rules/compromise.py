"""One register, several features: the step that leaves the most room to the nearest limit."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite, nan

from rules.evidence import FeatureOutlook


@dataclass(frozen=True, slots=True)
class Compromise:
    """The best step, the smallest distance to a limit it leaves, and the two features that decide it.

    `rising` and `falling` are indexes into the features: more of the step helps the first and harms the second.
    They are equal where one feature alone decides; both are None where no feature is moved.
    """

    step_um: float
    margin_um: float
    rising: int | None = None
    falling: int | None = None


UNKNOWN = Compromise(nan, nan)


def compromise(features: Sequence[FeatureOutlook]) -> Compromise:
    """The step (register micrometres) that maximises the smallest distance of any feature to its limits.

    Feature i keeps half_i - |own_i + S_i d|. The smallest of these is concave and piecewise linear in d, so its top is
    where a rising and a falling line cross; by linear programming duality it is the *lowest* of all such crossings.
    UNKNOWN when there is no feature to go by or one of them has no finite outlook.
    """
    pulls = [
        (index, abs(feature.sensitivity), -feature.own_um / feature.sensitivity, feature.half_um)
        for index, feature in enumerate(features)
        if feature.sensitivity
    ]
    lowest, crossing = inf, None
    for rising in pulls:
        if not isfinite(rising[2]):
            return UNKNOWN
        for falling in pulls:
            margin = _margin(rising, falling)
            if margin < lowest:
                lowest, crossing = margin, (rising, falling)
    return UNKNOWN if crossing is None else _at(*crossing, lowest)


_Pull = tuple[int, float, float, float]  # index, |S|, the step that centres the feature, half its tolerance


def _margin(rising: _Pull, falling: _Pull) -> float:
    """The distance to the limits where both features keep the same."""
    _, gain_up, centre_up, half_up = rising
    _, gain_down, centre_down, half_down = falling
    apart = gain_up * gain_down * (centre_up - centre_down)
    return (gain_down * half_up + gain_up * half_down - apart) / (gain_up + gain_down)


def _at(rising: _Pull, falling: _Pull, margin_um: float) -> Compromise:
    up, gain_up, centre_up, half_up = rising
    down, gain_down, centre_down, half_down = falling
    step_um = (half_down - half_up + gain_up * centre_up + gain_down * centre_down) / (gain_up + gain_down)
    return Compromise(step_um, margin_um, up, down)
