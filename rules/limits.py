"""What the tool may propose: one frozen value with the reason beside each number."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The limits in force for one register. Micrometres (millidegrees for rotary registers); shares are 0..1."""

    band: float = 0.30  # of the half tolerance: while the predicted error stays inside, leave it alone
    aim: float = 0.50  # under proven wear, how far past the centre to set, as a share of the band
    step_um: float = 20.0  # most per correction; a fresh mistake stays small
    travel_um: float = 150.0  # most in sum since set-up: 0.3 mm of flank wear costs 26 to 80 um of radius (derived)
    settle: int = 2  # parts that must show a change before the next one
    evidence: int = 3  # parts behind an estimate; never correct on one reading
    confidence: float = 0.99  # that the error really is outside the band
    implausible_um: float = 300.0  # further from nominal than any wear: wrong unit, wrong offset, broken tool
    expires_parts: int | None = 10  # a proposal older than this many parts no longer describes the machine
    expires_s: float | None = None  # likewise in seconds
    check_required: bool = False  # only with a probe that has passed a check on a certified artefact
