"""The register's predicted error, how sure it is, and its band: what several rules look at, worked out once."""

from dataclasses import dataclass
from functools import lru_cache
from math import erfc, inf, isfinite, nan, sqrt
from statistics import NormalDist

from rules.compromise import compromise
from rules.evidence import Evidence
from rules.limits import Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """In register micrometres: moving the register by -error_um is the best step; nothing is due within band_um.

    `error_um` is nan while there is no estimate. `margin_um` (of the reading) is what the best step leaves to the
    nearest limit; `deciding` are the indexes of the features that decide it.
    """

    error_um: float
    sd_um: float
    band_um: float
    margin_um: float
    deciding: tuple[int, ...]

    @property
    def is_known(self) -> bool:
        return isfinite(self.error_um)

    @property
    def is_outside_band(self) -> bool:
        return abs(self.error_um) > self.band_um

    @property
    def excess_um(self) -> float:
        """How far the error lies beyond the band, on the side it lies on."""
        return abs(self.error_um) - self.band_um


# Several rules ask about the same evidence one after another; hashing it would cost more than the answer.
_latest: tuple[Evidence, Limits, Outlook] | None = None


def outlook(evidence: Evidence, limits: Limits) -> Outlook:
    """The outlook of one register under these limits."""
    global _latest
    latest = _latest
    if latest is not None and latest[0] is evidence and latest[1] is limits:
        return latest[2]
    answer = _outlook(evidence, limits)
    _latest = (evidence, limits, answer)
    return answer


def _outlook(evidence: Evidence, limits: Limits) -> Outlook:
    best = compromise(evidence.features)
    if best.rising is None or best.falling is None:
        return Outlook(error_um=nan, sd_um=inf, band_um=_band_um(evidence, limits), margin_um=nan, deciding=())
    one, other = evidence.features[best.rising], evidence.features[best.falling]
    # Both estimates rest on the same register, so they err together: spreads add, they do not average out.
    sd = (one.sd_um + other.sd_um) / (abs(one.sensitivity) + abs(other.sensitivity))
    return Outlook(
        error_um=-best.step_um,
        sd_um=sd,
        band_um=_band_um(evidence, limits),
        margin_um=best.margin_um,
        deciding=tuple(sorted({best.rising, best.falling})),
    )


def _band_um(evidence: Evidence, limits: Limits) -> float:
    """The tightest feature sets the band: share x half tolerance / |S|."""
    bands = [limits.band * f.half_um / abs(f.sensitivity) for f in evidence.features if f.sensitivity]
    return min(bands, default=inf)


@lru_cache(maxsize=64)
def quantile(probability: float) -> float:
    """The standard normal quantile; 0 and 1 give the infinities."""
    if 0.0 < probability < 1.0:
        return NormalDist().inv_cdf(probability)
    return inf if probability >= 1.0 else -inf


def probability_outside(seen: Outlook) -> float:
    """Probability (normal) that the error really lies beyond the band on the side where it is predicted."""
    if not seen.sd_um > 0.0:
        return 1.0 if seen.excess_um > 0.0 else 0.0
    return 0.5 * erfc(-seen.excess_um / (seen.sd_um * sqrt(2.0)))


def is_confident(seen: Outlook, limits: Limits) -> bool:
    """Whether the error lies outside the band with the confidence asked for; at 50 % when it is predicted there.

    A spread that is not a number is never confident.
    """
    return seen.excess_um >= quantile(limits.confidence) * seen.sd_um


def is_sure(evidence: Evidence, limits: Limits) -> bool:
    """Whether enough parts stand behind an error that is outside the band with confidence."""
    return evidence.parts >= limits.evidence and is_confident(outlook(evidence, limits), limits)
