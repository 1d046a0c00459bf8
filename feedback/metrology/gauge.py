"""Gauge repeatability and reproducibility: how much of what is seen is the gauge and its handling, not the parts.

Two methods that do not agree exactly, so every answer names its own. Both need the same number of trials of every part
by every operator; on a machine a re-clamping stands for an operator. Spreads are standard deviations, in the unit of
the values; practice multiplies them by 6 for the share of a tolerance.

Source: measurement systems analysis, 4th edition (automotive industry, 2010): average-and-range and ANOVA methods.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import fsum, inf, sqrt
from typing import Final, Literal

from feedback.metrology.inconclusive import InconclusiveError
from feedback.metrology.scatter import d2, d2_star, d3, mean

POOLING_P: Final = 0.25  # an interaction less sure than this is counted as repeatability
CATEGORY: Final = 1.41  # sqrt(2), as practice rounds it
SPREADS_IN_TOLERANCE: Final = 6.0  # 99.73 % of normal values
AIM: Final = 0.10  # of variation or tolerance: usual aim; above CEILING the gauge is not fit (common practice)
CEILING: Final = 0.30

Trials = Mapping[str, Mapping[str, Sequence[float]]]  # operator -> part -> trials
Component = Literal["ev", "av", "interaction", "grr", "pv", "tv"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """Standard deviations of a study and the `method` that gave them.

    ev: repeatability (equipment), av: reproducibility (operators), interaction: operators differing from part to part,
    grr = sqrt(ev^2 + av^2 + interaction^2), pv: the parts themselves, tv = sqrt(grr^2 + pv^2).
    """

    method: str
    ev: float
    av: float
    interaction: float
    pv: float

    @property
    def grr(self) -> float:
        return sqrt(self.ev**2 + self.av**2 + self.interaction**2)

    @property
    def tv(self) -> float:
        return sqrt(self.grr**2 + self.pv**2)

    @property
    def ndc(self) -> float:
        """Distinct categories before rounding down: 1.41 pv / grr."""
        return CATEGORY * self.pv / self.grr if self.grr else inf

    @property
    def categories(self) -> int | None:
        """How many groups of parts the gauge can tell apart, at least 1; None: no limit, for it never erred."""
        return max(int(self.ndc), 1) if self.grr else None

    def share_of_variation(self, component: Component) -> float:
        """Of the study's total spread; shares add as squares, so they sum to more than 1."""
        return float(getattr(self, component)) / self.tv if self.tv else 0.0

    def share_of_tolerance(self, component: Component, tolerance: float) -> float:
        """6 standard deviations against the whole tolerance."""
        return SPREADS_IN_TOLERANCE * float(getattr(self, component)) / tolerance

    def verdict(self, tolerance: float | None = None) -> str:
        """In words, by the tolerance where there is one, else by the study's own variation."""
        share, of = (
            (self.share_of_variation("grr"), "of the variation seen")
            if tolerance is None
            else (self.share_of_tolerance("grr", tolerance), "of the tolerance")
        )
        words = "fit" if share <= AIM else "fit with caution" if share <= CEILING else "not fit"
        told = "any number of" if self.categories is None else str(self.categories)
        kinds = "category" if self.categories == 1 else "categories"
        return f"{words}: gauge and handling take {share:.1%} {of}, {told} {kinds} told apart ({self.method})"


def by_ranges(trials: Trials) -> GaugeStudy:
    """The average-and-range method: EV = Rbar / d2, AV and PV from the ranges of means over d2*.

    An average range over more than 15 groups uses d2, as the printed factors do. InconclusiveError for a study that is
    not balanced or too small.
    """
    operators, parts, repeats = _layout(trials)
    ranges = [max(values) - min(values) for own in trials.values() for values in own.values()]
    ev = mean(ranges) / d2_star(repeats, len(ranges))
    av = 0.0
    if operators > 1:
        means = [mean([value for values in own.values() for value in values]) for own in trials.values()]
        apart = (max(means) - min(means)) / d2_star(operators, 1)
        av = sqrt(max(apart**2 - ev**2 / (parts * repeats), 0.0))
    of_parts = [mean([value for own in trials.values() for value in own[part]]) for part in _parts(trials)]
    pv = (max(of_parts) - min(of_parts)) / d2_star(parts, 1)
    return GaugeStudy(method="average and range", ev=ev, av=av, interaction=0.0, pv=pv)


def unsteady_ranges(trials: Trials) -> list[tuple[str, str]]:
    """Operator and part of every range above its control limit D4 Rbar = (1 + 3 d3 / d2) Rbar: repeat those first."""
    _, _, repeats = _layout(trials)
    ranges = {(o, p): max(values) - min(values) for o, own in trials.items() for p, values in own.items()}
    limit = (1 + 3 * d3(repeats) / d2(repeats)) * mean(list(ranges.values()))
    return [place for place, found in ranges.items() if found > limit]


@dataclass(frozen=True, slots=True, kw_only=True)
class Variance:
    """One line of an analysis of variance: sum of squares, degrees of freedom."""

    squares: float
    degrees: int

    @property
    def mean_square(self) -> float:
        return self.squares / self.degrees if self.degrees else 0.0

    def pooled_with(self, other: "Variance") -> "Variance":
        return Variance(squares=self.squares + other.squares, degrees=self.degrees + other.degrees)


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """The two-way table: operators, parts, their interaction, and what repeats leave."""

    operators: Variance
    parts: Variance
    interaction: Variance
    equipment: Variance
    counts: tuple[int, int, int]  # operators, parts, repeats

    @property
    def interaction_p(self) -> float:
        """Probability of an interaction this large by chance (F over equipment); 1 where there is none to see."""
        from scipy.stats import f

        if not self.interaction.degrees or not self.interaction.squares:
            return 1.0
        if not self.equipment.squares:
            return 0.0
        ratio = self.interaction.mean_square / self.equipment.mean_square
        return float(f.sf(ratio, self.interaction.degrees, self.equipment.degrees))


def analysis(trials: Trials) -> Analysis:
    """Sums of squares of a balanced two-way study, about exact means. InconclusiveError as for `by_ranges`."""
    operators, parts, repeats = _layout(trials)
    grand = mean([value for own in trials.values() for values in own.values() for value in values])
    of_operator = {o: mean([v for values in own.values() for v in values]) - grand for o, own in trials.items()}
    of_part = {p: mean([v for own in trials.values() for v in own[p]]) - grand for p in _parts(trials)}
    cell = {(o, p): mean(values) - grand for o, own in trials.items() for p, values in own.items()}
    own_way = [cell[o, p] - of_operator[o] - of_part[p] for o, p in cell]
    left = [v - grand - cell[o, p] for o, own in trials.items() for p, values in own.items() for v in values]
    return Analysis(
        operators=Variance(squares=_squares(of_operator.values()) * parts * repeats, degrees=operators - 1),
        parts=Variance(squares=_squares(of_part.values()) * operators * repeats, degrees=parts - 1),
        interaction=Variance(squares=_squares(own_way) * repeats, degrees=(operators - 1) * (parts - 1)),
        equipment=Variance(squares=_squares(left), degrees=operators * parts * (repeats - 1)),
        counts=(operators, parts, repeats),
    )


def by_anova(trials: Trials, *, interaction: bool | None = None) -> GaugeStudy:
    """The ANOVA method. `interaction`: with or without; by default without, unless its p is at most 0.25.

    With: EV^2 = MS_e, INT^2 = (MS_i - MS_e) / r, AV^2 = (MS_o - MS_i) / (p r), PV^2 = (MS_p - MS_i) / (o r). Without,
    interaction and equipment are pooled into one MS that stands for both. Negative variances count as nothing.
    """
    table = analysis(trials)
    operators, parts, repeats = table.counts
    keep = table.interaction_p <= POOLING_P if interaction is None else interaction
    error = table.equipment if keep else table.equipment.pooled_with(table.interaction)
    against = table.interaction if keep and table.interaction.degrees else error
    return GaugeStudy(
        method=f"ANOVA with{'' if keep else 'out'} interaction (its p {table.interaction_p:.3f})",
        ev=sqrt(error.mean_square),
        av=_root(table.operators.mean_square - against.mean_square, parts * repeats) if operators > 1 else 0.0,
        interaction=_root(table.interaction.mean_square - error.mean_square, repeats) if keep else 0.0,
        pv=_root(table.parts.mean_square - against.mean_square, operators * repeats),
    )


def _layout(trials: Trials) -> tuple[int, int, int]:
    """Operators, parts, repeats of a balanced study."""
    parts = _parts(trials)
    repeats = len(next(iter(next(iter(trials.values())).values()))) if parts else 0
    if len(parts) < 2 or repeats < 2:
        raise InconclusiveError(
            f"found {len(parts)} parts and {repeats} trials of each; wanted at least 2 parts with 2 trials;"
            " 10 parts with 3 trials by 3 operators (or re-clampings) are usual"
        )
    for operator, own in trials.items():
        for part in parts:
            found = len(own.get(part, ()))
            if found != repeats or set(own) != set(parts):
                raise InconclusiveError(
                    f"{operator} measured part {part} {found} times and {len(own)} parts; wanted {repeats} times and"
                    f" the same {len(parts)} parts as the others; measure what is missing or leave it out for all"
                )
    return len(trials), len(parts), repeats


def _parts(trials: Trials) -> list[str]:
    return list(next(iter(trials.values()))) if trials else []


def _squares(values: Iterable[float]) -> float:

    return fsum(value * value for value in values)


def _root(variance: float, count: int) -> float:
    return sqrt(max(variance, 0.0) / count)
