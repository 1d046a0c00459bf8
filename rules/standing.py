"""Whether a proposal that nobody has answered yet is still right."""

from collections.abc import Sequence

from rules.catalogue import RULES
from rules.engine import bounded, wished_um
from rules.evidence import Evidence
from rules.limits import Limits
from rules.outlook import outlook
from rules.rule import Rule
from rules.verdicts import Hold, Stop, Verdict
from rules.words import amount, signed


def still_stands(proposed_change_um: float, evidence: Evidence, limits: Limits) -> str | None:
    """None while the open proposal stands, else the words why it is withdrawn.

    It stands while the rules still wish for its direction, none of them forbids it, and what it would leave of the
    error lies inside the band, aim included. What step, travel and grid would withhold from a fresh proposal as well is
    not held against it. A wait does not end it: one surprising part is no reason to start over.
    """
    judged = [(rule, rule.judge(evidence, limits)) for rule in RULES]
    return (
        _forbidden(judged)
        or _no_longer_wished(proposed_change_um, evidence, limits)
        or _no_longer_fits(proposed_change_um, wished_um(judged), evidence, limits)
    )


def _forbidden(judged: Sequence[tuple[Rule, Verdict]]) -> str | None:
    for rule, verdict in judged:
        if rule.ends_proposals and isinstance(verdict, Hold | Stop):
            return f"{rule.name}: {verdict.words}"
    return None


def _no_longer_wished(proposed_um: float, evidence: Evidence, limits: Limits) -> str | None:
    seen = outlook(evidence, limits)
    if not seen.is_known:
        return "there is no estimate of the error any more"
    error, band = signed(seen.error_um, evidence.kind), amount(seen.band_um, evidence.kind)
    if not seen.is_outside_band:
        return f"the predicted error {error} is back inside the band {band}"
    if proposed_um * seen.error_um >= 0.0:
        return f"the predicted error {error} now asks for the other direction"
    return None


def _no_longer_fits(proposed_um: float, wish_um: float, evidence: Evidence, limits: Limits) -> str | None:
    seen = outlook(evidence, limits)
    left_um = seen.error_um + proposed_um - _withheld_um(wish_um, evidence, limits)
    allowed_um = seen.band_um * (1.0 + limits.aim)
    if abs(left_um) <= allowed_um:
        return None
    return (
        f"{signed(proposed_um, evidence.kind)} would leave {signed(seen.error_um + proposed_um, evidence.kind)} of the "
        f"predicted error {signed(seen.error_um, evidence.kind)}, more than {amount(allowed_um, evidence.kind)}"
    )


def _withheld_um(wish_um: float, evidence: Evidence, limits: Limits) -> float:
    """What the guard would leave undone of a wish made now; with its sign, as an error."""
    return bounded(evidence, limits, wish_um).change_um - wish_um
