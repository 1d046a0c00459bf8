"""Wild values among repeats: how far from the rest is too far. Normal values assumed."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

from feedback.metrology.inconclusive import at_least
from feedback.metrology.scatter import mean, standard_deviation

LEAST_VALUES: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """The value furthest from the mean: its place from 0, G = |x - mean| / s, and the critical G."""

    index: int
    value: float
    g: float
    critical: float

    @property
    def is_outlier(self) -> bool:
        return self.g > self.critical


def grubbs(values: Sequence[float], alpha: float = 0.05, *, one_sided: bool = False) -> Suspect:
    """The most suspect value, and whether chance alone explains it.

    Source: Grubbs, Technometrics 11 (1969); NIST/SEMATECH e-Handbook 1.3.5.17.1. `one_sided` looks at the largest
    value only. InconclusiveError for fewer than three values. Values that are all alike give G = 0.
    """
    at_least(len(values), LEAST_VALUES, "values", "repeat the measurement")
    centre, sd = mean(values), standard_deviation(values)

    def apart(index: int) -> float:
        return values[index] - centre if one_sided else abs(values[index] - centre)

    index = max(range(len(values)), key=apart)
    tail = alpha / len(values) if one_sided else alpha / (2 * len(values))
    return Suspect(
        index=index, value=values[index], g=apart(index) / sd if sd else 0.0, critical=_critical(len(values), tail)
    )


def outliers(values: Sequence[float], most: int, alpha: float = 0.05) -> list[Suspect]:
    """The outliers among `values`, at most `most`, the wildest first; two of them cannot hide each other.

    Generalised extreme studentised deviate. Source: Rosner, Technometrics 25 (1983); NIST/SEMATECH e-Handbook
    1.3.5.17.3. `index` counts in `values`.
    """
    suspects: list[Suspect] = []
    left = list(range(len(values)))
    for _ in range(min(most, len(values) - LEAST_VALUES + 1)):
        found = grubbs([values[index] for index in left], alpha)
        suspects.append(Suspect(index=left[found.index], value=found.value, g=found.g, critical=found.critical))
        del left[found.index]
    proved = [k + 1 for k, suspect in enumerate(suspects) if suspect.is_outlier]
    return suspects[: proved[-1]] if proved else []


def _critical(n: int, tail: float) -> float:
    from scipy.stats import t

    quantile = float(t.ppf(1 - tail, n - 2))
    return (n - 1) / sqrt(n) * sqrt(quantile**2 / (n - 2 + quantile**2))
