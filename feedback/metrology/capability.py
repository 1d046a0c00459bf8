"""Capability: of the measurement against the tolerance (ISO 22514-7), of the process on stable stretches (ISO 22514-2).

Micrometres. Formulas of ISO 22514-7 from memory, consistent with each other: Q_MS = 15 % exactly where C_MS = 4/3.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt
from typing import Final

from feedback.metrology.conformity import Tolerance
from feedback.metrology.inconclusive import InconclusiveError
from feedback.metrology.scatter import NORMAL, Interval, mean, standard_deviation
from feedback.metrology.stretches import LEAST_PARTS, Stretch

Q_MS_LIMIT: Final = 0.15  # of the tolerance, measuring system
Q_MP_LIMIT: Final = 0.30  # of the tolerance, whole measuring process
USUAL_PARTS: Final = 50  # below this the intervals are wide; 125 are asked for in many agreements (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementCapability:
    """Standard uncertainties of the measuring system and process, and their indices against one tolerance."""

    u_ms_um: float
    u_mp_um: float
    tolerance_um: float

    @property
    def q_ms(self) -> float:
        """2 x 2 u_MS / T."""
        return 4 * self.u_ms_um / self.tolerance_um

    @property
    def q_mp(self) -> float:
        """2 x 2 u_MP / T."""
        return 4 * self.u_mp_um / self.tolerance_um

    @property
    def c_ms(self) -> float:
        """0.3 T / (6 u_MS)."""
        return 0.3 * self.tolerance_um / (6 * self.u_ms_um) if self.u_ms_um else inf

    @property
    def c_mp(self) -> float:
        """0.3 T / (3 u_MP)."""
        return 0.3 * self.tolerance_um / (3 * self.u_mp_um) if self.u_mp_um else inf

    @property
    def is_capable(self) -> bool:
        """Q_MS at most 15 % and Q_MP at most 30 %."""
        return self.q_ms <= Q_MS_LIMIT and self.q_mp <= Q_MP_LIMIT

    @property
    def smallest_tolerance_um(self) -> float:
        """The narrowest tolerance for which this measurement is capable."""
        return max(4 * self.u_ms_um / Q_MS_LIMIT, 4 * self.u_mp_um / Q_MP_LIMIT)


def measuring_system_um(
    *,
    calibration_um: float,
    repeat_um: float,
    resolution_um: float = 0.0,
    bias_um: float = 0.0,
    linearity_um: float = 0.0,
) -> float:
    """u_MS = sqrt(u_CAL^2 + max(u_RE, u_EVR)^2 + u_BI^2 + u_LIN^2) with u_RE = resolution / sqrt(12), u_BI = |bias| /
    sqrt(3). `calibration_um` and `linearity_um` are standard uncertainties, `repeat_um` the standard deviation on the
    artefact (ISO 22514-7)."""
    repeat = max(resolution_um / sqrt(12), repeat_um)
    return sqrt(calibration_um**2 + repeat**2 + bias_um**2 / 3 + linearity_um**2)


def measuring_process_um(u_ms_um: float, *others_um: float) -> float:
    """u_MP: the system and what the place adds (reproducibility, part form, temperature), standard uncertainties."""
    return sqrt(u_ms_um**2 + sum(other**2 for other in others_um))


def gauge_potential(tolerance_um: float, repeat_um: float, bias_um: float = 0.0) -> tuple[float, float]:
    """C_g = 0.2 T / (6 s) and C_gk = (0.1 T - |bias|) / (3 s), infinite without scatter (common practice)."""
    if not repeat_um:
        return inf, inf if abs(bias_um) < 0.1 * tolerance_um else -inf
    return 0.2 * tolerance_um / (6 * repeat_um), (0.1 * tolerance_um - abs(bias_um)) / (3 * repeat_um)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessCapability:
    """Capability over stable stretches.

    `cp`, `cpk` use the trend-compensated sigma: the scatter about each stretch's own straight line, what the drift adds
    left out. `pp`, `ppk` (performance) use the scatter of all readings of these stretches, drift and corrections
    between them included. Two-sided indices are None at a one-sided tolerance.
    """

    n: int
    stretches: int
    mean_um: float
    trend_compensated_sd_um: float
    degrees: int
    total_sd_um: float
    cp: Interval | None
    cpk: Interval
    pp: Interval | None
    ppk: Interval

    @property
    def words(self) -> tuple[str, ...]:
        """How to read the figures, always with their sigma."""
        seen = f"{self.n} parts in {self.stretches} stable stretches"
        said = [
            f"Cpk {_told(self.cpk)} with trend-compensated sigma {self.trend_compensated_sd_um:.2f} um of {seen}",
            f"Ppk {_told(self.ppk)} with total sigma {self.total_sd_um:.2f} um, drift included",
        ]
        if self.n < USUAL_PARTS:
            said.append(f"{self.n} parts are few; {USUAL_PARTS} or more are usual")
        return tuple(said)


def _told(index: Interval) -> str:
    return f"{index.value:.2f} ({index.low:.2f} to {index.high:.2f})"


def process_capability(
    values_um: Sequence[float], stretches: Sequence[Stretch], tolerance: Tolerance, confidence: float = 0.95
) -> ProcessCapability:
    """Capability and performance of the readings in these stretches (see `stretches.stable_stretches`).

    InconclusiveError where no stable stretch is left.
    """
    stable = [stretch for stretch in stretches if stretch.is_stable]
    if not stable:
        found = "; ".join(stretch.words for stretch in stretches) or f"no stretch has {LEAST_PARTS} parts"
        raise InconclusiveError(
            f"{found}; wanted at least one stable stretch without correction, tool change or sudden change;"
            " judge capability when more parts have been cut undisturbed"
        )
    used = [values_um[k] for stretch in stable for k in stretch.parts]
    degrees = sum(stretch.degrees for stretch in stable)
    within = sqrt(sum(stretch.sd_um**2 * stretch.degrees for stretch in stable) / degrees)
    centre, total = mean(used), standard_deviation(used)
    return ProcessCapability(
        n=len(used),
        stretches=len(stable),
        mean_um=centre,
        trend_compensated_sd_um=within,
        degrees=degrees,
        total_sd_um=total,
        cp=capability_index(tolerance, within, degrees, confidence),
        cpk=worst_side_index(centre, tolerance, within, len(used), degrees, confidence),
        pp=capability_index(tolerance, total, len(used) - 1, confidence),
        ppk=worst_side_index(centre, tolerance, total, len(used), len(used) - 1, confidence),
    )


def capability_index(tolerance: Tolerance, sd: float, degrees: int, confidence: float = 0.95) -> Interval | None:
    """T / (6 s) with its interval from chi-square; None at a one-sided tolerance (ISO 22514-2).

    Source of the interval: NIST/SEMATECH e-Handbook 6.1.6.
    """
    from scipy.stats import chi2

    if not tolerance.is_two_sided:
        return None
    index = tolerance.width / (6 * sd) if sd else inf
    tail = (1 - confidence) / 2
    low, high = (sqrt(float(chi2.ppf(p, degrees)) / degrees) for p in (tail, 1 - tail))
    return Interval(value=index, low=index * low, high=index * high, confidence=confidence)


def worst_side_index(
    centre: float, tolerance: Tolerance, sd: float, n: int, degrees: int, confidence: float = 0.95
) -> Interval:
    """min(U - mean, mean - L) / (3 s) with +- z sqrt(1 / (9 n) + index^2 / (2 degrees)) (ISO 22514-2).

    Source of the interval: Bissell, Applied Statistics 39 (1990). An open side does not count.
    """
    room = min(tolerance.upper - centre, centre - tolerance.lower)
    index = room / (3 * sd) if sd else inf
    z = NORMAL.inv_cdf((1 + confidence) / 2)
    half = z * sqrt(1 / (9 * n) + index * index / (2 * degrees)) if index < inf else 0.0
    return Interval(value=index, low=index - half, high=index + half, confidence=confidence)
