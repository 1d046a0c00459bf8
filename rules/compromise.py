"""One register, several features: the step that leaves the most room to the nearest limit."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan
from operator import itemgetter

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
        (-feature.own_um / feature.sensitivity, abs(feature.sensitivity), feature.half_um, index)
        for index, feature in enumerate(features)
        if feature.sensitivity
    ]
    if not pulls or not isfinite(sum([pull[0] for pull in pulls])):
        return UNKNOWN
    pulls.sort()
    tightest = min(pulls, key=_half)
    lowest, rising, falling = tightest[2], tightest, tightest
    # Lines cross below both tops only where the rising one belongs to the feature whose own best step is larger.
    for place, upper in enumerate(pulls):
        for lower in pulls[:place]:
            margin = _margin(upper, lower)
            if margin < lowest:
                lowest, rising, falling = margin, upper, lower
    return _at(rising, falling, lowest)


_Pull = tuple[float, float, float, int]  # the step that centres the feature, |S|, half its tolerance, its index
_half = itemgetter(2)


def _margin(rising: _Pull, falling: _Pull) -> float:
    """The distance to the limits where both features keep the same."""
    centre_up, gain_up, half_up, _ = rising
    centre_down, gain_down, half_down, _ = falling
    apart = gain_up * gain_down * (centre_up - centre_down)
    return (gain_down * half_up + gain_up * half_down - apart) / (gain_up + gain_down)


def _at(rising: _Pull, falling: _Pull, margin_um: float) -> Compromise:
    centre_up, gain_up, half_up, up = rising
    centre_down, gain_down, half_down, down = falling
    step_um = (half_down - half_up + gain_up * centre_up + gain_down * centre_down) / (gain_up + gain_down)
    return Compromise(step_um, margin_um, up, down)
