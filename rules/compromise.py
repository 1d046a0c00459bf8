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
    best = UNKNOWN
    lowest = inf
    for rising, gain_up, centre_up, half_up in pulls:
        if not isfinite(centre_up):
            return UNKNOWN
        for falling, gain_down, centre_down, half_down in pulls:
            gains = gain_up + gain_down
            apart = gain_up * gain_down * (centre_up - centre_down)
            margin = (gain_down * half_up + gain_up * half_down - apart) / gains
            if margin < lowest:
                step = (half_down - half_up + gain_up * centre_up + gain_down * centre_down) / gains
                best, lowest = Compromise(step, margin, rising, falling), margin
    return best
