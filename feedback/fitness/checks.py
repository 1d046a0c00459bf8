"""Does the probe reproduce what a certificate says? Pure.

Expected reading of a size certified at 20 degC on an artefact at T (ISO 1; first order, as in JCGM 100 annex H.1):

    size x (1 + (cte of the artefact - cte of the scales) x (T - 20 degC))

Where the expansion of the scales is not stated they are taken to read true at any temperature (glass scales at 20 degC,
or a control that compensates). A control that brings all it prints to 20 degC itself prints the certified size. The
verdict is against the artefact's `error_limit`; no guard band is taken off here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, Final, Literal

from feedback.configuration.facts import Artefact
from feedback.expansion import COLDEST_C, HOTTEST_C
from feedback.fitness.calibration import artefact_verdict, named
from feedback.fitness.verdict import Verdict, judged, shown, worst
from feedback.units import LengthUnit, plain

REFERENCE_C: Final = Decimal(20)  # ISO 1

NO_PROBES_ERROR_MM: Final = Decimal(1)  # another ring, another unit, a number keyed in wrongly (common practice)

Result = Literal["passed", "failed", "void"]  # void: it says nothing about the probe


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One check on an artefact as the log states it; lengths in mm, the centre from where the artefact lies."""

    artefact: str
    actual: Decimal
    on: date
    x: Decimal | None = None
    y: Decimal | None = None
    temperature_c: Decimal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one check came to. `expected` and `error` (mm) are None where it is void."""

    result: Result
    verdicts: tuple[Verdict, ...]
    expected: Decimal | None = None
    error: Decimal | None = None
    limit: Decimal | None = None

    @property
    def words(self) -> str:
        """What carries the result, in one line."""
        return "; ".join(verdict.words for verdict in self._carrying)

    @property
    def brief(self) -> str:
        """The same for somebody who stands at the machine."""
        return "; ".join(verdict.brief or verdict.words for verdict in self._carrying)

    @property
    def _carrying(self) -> Sequence[Verdict]:
        return [verdict for verdict in self.verdicts if verdict.outcome == "failed"] or self.verdicts[:1]

    def to_json(self) -> dict[str, Any]:
        return {
            "result": self.result,
            "expected": None if self.expected is None else f"{self.expected:f}",
            "error": None if self.error is None else f"{self.error:f}",
            "limit": None if self.limit is None else f"{self.limit:f}",
            "words": self.words,
            "brief": self.brief,
            "verdicts": [verdict.to_json() for verdict in self.verdicts],
        }


def expected_mm(artefact: Artefact, temperature_c: Decimal | None, scale_cte_per_k: Decimal | None) -> Decimal:
    """What a true probe reads on `artefact` at that temperature (None: 20 degC), exactly."""
    if temperature_c is None:
        return artefact.size_mm
    expansion = artefact.cte_per_k - (scale_cte_per_k or Decimal(0))
    return artefact.size_mm * (1 + expansion * (temperature_c - REFERENCE_C))


def outcome(
    check: Check,
    artefacts: Mapping[str, Artefact],
    scale_cte_per_k: Decimal | None,
    unit: LengthUnit = "mm",
    *,
    is_compensated: bool = False,
) -> Outcome:
    """The verdicts on one check; `artefacts` are those this machine is checked with, `unit` the one words are in.

    `is_compensated`: the control has brought what it printed to 20 degC.
    """
    is_usable = artefact_verdict(check.artefact, check.on, artefacts)
    artefact = named(check.artefact, artefacts)
    if artefact is None or is_usable.outcome == "failed":
        return Outcome(result="void", verdicts=(_void(is_usable),))
    if not is_compensated and not _is_believable(check.temperature_c):
        return Outcome(result="void", verdicts=(_void(_unbelievable(check)),))
    expected = expected_mm(artefact, None if is_compensated else check.temperature_c, scale_cte_per_k)
    error = check.actual - expected
    verdicts = (
        _size(check, artefact, expected, error, unit),
        *_centre(check, artefact, unit),
        _COMPENSATED if is_compensated else _temperature(check, artefact, scale_cte_per_k, unit),
        is_usable,
    )
    return Outcome(
        result=worst(verdicts), verdicts=verdicts, expected=expected, error=error, limit=artefact.error_limit_mm
    )


_COMPENSATED: Final = Verdict("temperature", "passed", "the control brings what it prints to 20 degC")


def _void(why: Verdict) -> Verdict:
    return Verdict("artefact", why.outcome, f"this check says nothing about the probe: {why.words}")


def _off(error: Decimal, unit: LengthUnit) -> str:
    size = shown(abs(error), unit)
    if size.startswith("0 "):
        return "as expected"
    return f"{size} {'too big' if error > 0 else 'too small'}"


def _is_believable(at_c: Decimal | None) -> bool:
    return at_c is None or COLDEST_C <= at_c <= HOTTEST_C


def _unbelievable(check: Check) -> Verdict:
    words = (
        f"found {check.temperature_c} degC on {check.artefact}; wanted {COLDEST_C} to {HOTTEST_C} degC:"
        " check the thermometer and its unit, and check again"
    )
    return Verdict("temperature", "caution", words)


def _size(check: Check, artefact: Artefact, expected: Decimal, error: Decimal, unit: LengthUnit) -> Verdict:
    off = _off(error, unit)
    words = (
        f"{artefact.kind} {artefact.name} read {shown(check.actual, unit)}, {off}"
        f" (expected {shown(expected, unit)}, limit {shown(artefact.error_limit_mm, unit)},"
        f" uncertainty of the certificate {shown(artefact.uncertainty_mm, unit)})"
    )
    limit = shown(artefact.error_limit_mm, unit)
    brief = f"{artefact.kind} {artefact.name} read {off} (limit {limit})"
    if abs(error) > NO_PROBES_ERROR_MM:
        hint = ": no probe is that far off; look at the unit, the artefact and its size in cell.toml"
        words, brief = words + hint, brief + hint
    return judged("size", abs(error) <= artefact.error_limit_mm, words, brief)


def _centre(check: Check, artefact: Artefact, unit: LengthUnit) -> tuple[Verdict, ...]:
    limit = artefact.centre_limit_mm or artefact.error_limit_mm
    found = {axis: value for axis, value in (("X", check.x), ("Y", check.y)) if value is not None}
    return tuple(
        judged(
            f"centre {axis}",
            abs(off) <= limit,
            f"{artefact.kind} {artefact.name} was found {shown(off, unit)} off its place along {axis}"
            f" (limit {shown(limit, unit)})",
        )
        for axis, off in found.items()
    )


def _temperature(check: Check, artefact: Artefact, scale_cte_per_k: Decimal | None, unit: LengthUnit) -> Verdict:
    if check.temperature_c is None:
        return Verdict(
            "temperature", "caution", "the log states no temperature: the artefact is taken to be at 20 degC"
        )
    grown = expected_mm(artefact, check.temperature_c, scale_cte_per_k) - artefact.size_mm
    scales = (
        "the scales are taken to read true at any temperature (scale_cte is not stated)"
        if scale_cte_per_k is None
        else f"the scales expand by {plain(scale_cte_per_k * 1_000_000)}e-6 /K"
    )
    words = (
        f"at {check.temperature_c} degC the size is expected {shown(grown, unit)} beside the certified one; {scales}"
    )
    return Verdict("temperature", "passed", words)
