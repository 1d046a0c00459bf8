"""An uncertainty budget: what each source adds, the combined and the expanded uncertainty, and how sure they are.

Source: JCGM 100:2008 (GUM), clauses 4, 5, annex G: u_c^2 = sum (c u)^2 of uncorrelated sources; effective degrees of
freedom by Welch-Satterthwaite; coverage factor from Student's t, degrees of freedom rounded down.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import floor, fsum, inf, isinf, sqrt
from typing import TYPE_CHECKING, Any, Final, Literal

from feedback.metrology.scatter import NORMAL

if TYPE_CHECKING:
    from feedback.metrology.temperature import WarmthUncertainty

Distribution = Literal["normal", "rectangular", "triangular", "arcsine"]

DIVISORS: Final[dict[Distribution, float]] = {  # half-width to standard uncertainty (JCGM 100, 4.3; JCGM 101, 6.4)
    "normal": 1.0,
    "rectangular": sqrt(3),
    "triangular": sqrt(6),
    "arcsine": sqrt(2),
}
COVERAGE: Final = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One line: a quantity, its value, its standard uncertainty `u` (in its own unit) and its sensitivity c."""

    quantity: str
    value: float
    unit: str
    distribution: Distribution
    u: float
    sensitivity: float = 1.0
    degrees: float = inf
    basis: str = ""  # where it comes from, in words

    @property
    def contribution(self) -> float:
        """|c| u, in the unit of the result."""
        return abs(self.sensitivity) * self.u


def within(half_width: float, distribution: Distribution = "rectangular") -> float:
    """Standard uncertainty of a value known to lie within +- half_width."""
    return half_width / DIVISORS[distribution]


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """All sources of one result's uncertainty; `unit` is the result's."""

    sources: tuple[Source, ...]
    unit: str = "um"

    @property
    def combined(self) -> float:
        """u_c, the root of the sum of squared contributions."""
        return sqrt(fsum(source.contribution**2 for source in self.sources))

    @property
    def effective_degrees(self) -> float:
        """Welch-Satterthwaite: u_c^4 / sum (c u)^4 / v (JCGM 100, G.4.1); infinite where all are well known."""
        left = fsum(s.contribution**4 / s.degrees for s in self.sources if not isinf(s.degrees))
        return self.combined**4 / left if left else inf

    def coverage_factor(self, probability: float = COVERAGE) -> float:
        """Student's t for the effective degrees of freedom, rounded down to a whole number, at least 1 (G.4.1)."""
        degrees = self.effective_degrees
        if isinf(degrees):
            return NORMAL.inv_cdf((1 + probability) / 2)
        from scipy.stats import t

        return float(t.ppf((1 + probability) / 2, max(floor(degrees), 1)))

    def expanded(self, probability: float = COVERAGE) -> float:
        """U = k u_c."""
        return self.coverage_factor(probability) * self.combined

    def rows(self) -> list[dict[str, Any]]:
        """The table, largest contribution first, each with its share of the combined variance. Infinite is None."""
        whole = self.combined**2
        return [
            {
                "quantity": source.quantity,
                "value": source.value,
                "unit": source.unit,
                "distribution": source.distribution,
                "u": source.u,
                "sensitivity": source.sensitivity,
                "contribution": source.contribution,
                "degrees": None if isinf(source.degrees) else source.degrees,
                "share": source.contribution**2 / whole if whole else 0.0,
                "basis": source.basis,
            }
            for source in sorted(self.sources, key=lambda source: -source.contribution)
        ]

    def table(self, probability: float = COVERAGE) -> dict[str, Any]:
        """Everything a report prints, ready for JSON."""
        degrees = self.effective_degrees
        return {
            "unit": self.unit,
            "sources": self.rows(),
            "combined": self.combined,
            "effective_degrees": None if isinf(degrees) else degrees,
            "probability": probability,
            "coverage_factor": self.coverage_factor(probability),
            "expanded": self.expanded(probability),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What a shop knows about one feature's reading; what is None or zero adds nothing and is said to be missing.

    `calibration_um` is the expanded uncertainty (k = 2) of the artefact the probe was calibrated on; `repeat_sd_um` the
    standard deviation of a single reading with `repeat_degrees`; `resolution_um` the step between readings;
    `form_um` the probe's 2D error or the feature's form, whole range; `warmth` what temperature leaves.
    """

    calibration_um: float | None = None
    repeat_sd_um: float | None = None
    repeat_degrees: int = 0
    resolution_um: float = 0.0
    form_um: float | None = None
    warmth: "WarmthUncertainty | None" = None
    bias_um: float | None = None


def feature_budget(known: Known) -> Budget:
    """The budget of one reading: calibration, bias, repeatability or resolution, form, temperature, expansion.

    The step between readings counts only where it exceeds what repeats already show (ISO 22514-7: the larger of the
    two). A known bias that is not corrected counts as rectangular.
    """
    return Budget(sources=tuple(_sources(known)))


def missing(known: Known) -> list[str]:
    """What the budget lacks, in words."""
    wanted = {
        "calibration: no artefact with its uncertainty is configured": known.calibration_um is None,
        "repeatability: no study and no `repeatability` of the machine": known.repeat_sd_um is None,
        "form: no points around a ring were probed": known.form_um is None,
        "temperature: neither material nor temperature is known": known.warmth is None,
    }
    return [words for words, is_missing in wanted.items() if is_missing]


def _sources(known: Known) -> Iterable[Source]:
    if known.calibration_um is not None:
        yield _line("calibration", "normal", known.calibration_um / 2, "certificate of the artefact, k = 2")
    if known.bias_um:
        yield _line("bias", "rectangular", within(abs(known.bias_um)), "mean of the checks against the certificate")
    yield from _scatter(known)
    if known.form_um:
        yield _line("form", "rectangular", within(known.form_um / 2), "range around the least-squares circle")
    if known.warmth is not None:
        yield _line("temperature", "rectangular", known.warmth.temperature_um, "reading of the thermometer")
        yield _line("expansion", "rectangular", known.warmth.cte_um, "coefficient of the material")


def _scatter(known: Known) -> Iterable[Source]:
    step = within(known.resolution_um / 2)
    if known.repeat_sd_um is not None and known.repeat_sd_um >= step:
        degrees = known.repeat_degrees or inf
        yield _line("repeatability", "normal", known.repeat_sd_um, "repeats at one place", degrees)
    elif step:
        yield _line("resolution", "rectangular", step, "step between readings")


def _line(quantity: str, distribution: Distribution, u: float, basis: str, degrees: float = inf) -> Source:
    return Source(quantity=quantity, value=0.0, unit="um", distribution=distribution, u=u, degrees=degrees, basis=basis)


def rounded_up(value: float, digits: int = 2) -> Decimal:
    """An uncertainty as stated: `digits` significant figures, rounded up (JCGM 100, 7.2.6: two are enough)."""
    from decimal import ROUND_CEILING

    exact = Decimal(repr(value))
    if not exact:
        return Decimal(0)
    return exact.quantize(Decimal(1).scaleb(exact.adjusted() - digits + 1), rounding=ROUND_CEILING)


def largest(budget: Budget, count: int = 2) -> Sequence[str]:
    """The quantities that matter most: where better equipment or a better study would help."""
    return [row["quantity"] for row in budget.rows()[:count]]
