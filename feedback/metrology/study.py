"""The verdict of a study, feature by feature: can this probe judge this tolerance, and what follows for the limits."""

from dataclasses import dataclass
from math import inf
from typing import Any, Final, Literal

from feedback.metrology.budget import Budget
from feedback.metrology.conformity import Tolerance, acceptance_zone

AIM: Final = 0.10  # share of the tolerance that measuring may take: the usual aim (common practice)
CEILING: Final = 0.30  # the usual ceiling (common practice)
DEFAULT_BAND: Final = 0.30  # of the half tolerance, as in the shipped limits
NOISE_IN_BAND: Final = 1.5  # a band narrower than this many standard deviations of a reading would follow noise

Fitness = Literal["good", "usable", "not fit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FeatureVerdict:
    """How well one feature's tolerance can be judged. `share` = 2 U / T, the interval of uncertainty in the tolerance.

    `band` is the share of the half tolerance inside which corrections should leave the machine alone; None where the
    noise and the guard bands leave no room for one. `accepted`: readings that prove conformity (ISO 14253-1).
    """

    feature: str
    tolerance_um: float
    u_um: float
    expanded_um: float
    accepted: Tolerance | None
    noise_um: float
    band: float | None

    @property
    def share(self) -> float:
        return 2 * self.expanded_um / self.tolerance_um

    @property
    def fitness(self) -> Fitness:
        return "good" if self.share <= AIM else "usable" if self.share <= CEILING else "not fit"

    def smallest_tolerance_um(self, share: float) -> float:
        """The narrowest tolerance of which measuring takes no more than this share: 2 U / share."""
        return 2 * self.expanded_um / share

    @property
    def words(self) -> str:
        told = {
            "good": "good",
            "usable": f"usable, above the usual aim of {AIM:.0%}",
            "not fit": f"not fit for this tolerance, above the usual ceiling of {CEILING:.0%}",
        }
        smallest = self.smallest_tolerance_um(CEILING)
        band = "leave no band: correct nothing by it" if self.band is None else f"band {self.band:.0%} suggested"
        return (
            f"feature {self.feature}: measuring takes {self.share:.0%} of {self.tolerance_um:.1f} um:"
            f" {told[self.fitness]}; smallest tolerance {smallest:.1f} um at {CEILING:.0%}; {band}"
        )

    def entry(self) -> dict[str, Any]:
        """Ready for JSON."""
        accepted = self.accepted
        return {
            "feature": self.feature,
            "tolerance_um": self.tolerance_um,
            "u_um": self.u_um,
            "expanded_um": self.expanded_um,
            "share_of_tolerance": self.share,
            "fitness": self.fitness,
            "smallest_tolerance_um": {
                "10 %": self.smallest_tolerance_um(AIM),
                "30 %": self.smallest_tolerance_um(CEILING),
            },
            "accepted_um": None if accepted is None else [accepted.lower, accepted.upper],
            "suggested_band": self.band,
            "noise_um": self.noise_um,
            "words": self.words,
        }


def feature_verdict(feature: str, tolerance: Tolerance, budget: Budget, noise_um: float) -> FeatureVerdict:
    """The verdict on one feature with a two-sided tolerance. `noise_um`: standard deviation of one reading of a part,
    surface and clamping included, as the trend takes it for its prior."""
    return FeatureVerdict(
        feature=feature,
        tolerance_um=tolerance.width,
        u_um=budget.combined,
        expanded_um=budget.expanded(),
        accepted=acceptance_zone(tolerance, budget.combined),
        noise_um=noise_um,
        band=suggested_band(tolerance, budget.combined, noise_um),
    )


def suggested_band(tolerance: Tolerance, u_um: float, noise_um: float) -> float | None:
    """The band as a share of the half tolerance: 30 %, wider where noise asks for it, narrower where guard bands do.

    At least 1.5 standard deviations of one reading (below, corrections would follow noise), at most what lies between
    the centre and the acceptance limit. None where the first exceeds the second.
    """
    half = tolerance.width / 2
    zone = acceptance_zone(tolerance, u_um)
    most = zone.width / 2 if zone is not None else -inf
    least = NOISE_IN_BAND * noise_um
    return min(max(DEFAULT_BAND * half, least), most) / half if least <= most else None
