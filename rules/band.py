"""The band inside which the machine is left alone."""

from rules.cases import case, feature
from rules.evidence import Evidence
from rules.limits import Limits
from rules.outlook import outlook
from rules.rule import Rule
from rules.verdicts import Clear, Verdict, Wait, Wish
from rules.words import amount, signed

_UNKNOWN = Wait("there is no estimate of this register's error yet")


class Band(Rule):
    """Correcting noise adds to it; only an error predicted outside the band is corrected, and then all of it."""

    name = "band"
    stands_alone = True
    wishes_for = (
        case(feature(-14.0)),
        case(feature(14.0)),
        case(feature(3.2)),
        case(feature(8.0, sensitivity=1.0), register="work 54 X", kind="work"),
        case(feature(14.0, sensitivity=-1.0), register="work 54 B", kind="rotary"),
    )
    holds_for = (case(feature(float("nan"))), case(feature(sensitivity=0.0)))
    passes_for = (case(feature(0.0)), case(feature(3.1)), case(feature(-3.1)))

    def judge(self, evidence: Evidence, limits: Limits) -> Verdict:
        seen = outlook(evidence, limits)
        if not seen.is_known:
            return _UNKNOWN
        error, band = signed(seen.error_um, evidence.kind), amount(seen.band_um, evidence.kind)
        if seen.is_outside_band:
            return Wish(-seen.error_um, f"predicted error {error}, band {band}")
        return Clear(f"predicted error {error}, inside the band {band}: leave it alone")
