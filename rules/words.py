"""Amounts as the shop reads them: micrometres with one decimal, degrees for rotary registers."""

from rules.evidence import Evidence, FeatureOutlook


def amount(value: float, kind: str) -> str:
    """`value` micrometres as "6.1 um"; for a rotary register `value` millidegrees as "0.0061 deg"."""
    return f"{value / 1000:z.4f} deg" if kind == "rotary" else f"{value:z.1f} um"


def signed(value: float, kind: str) -> str:
    """Likewise with its sign always written: "+6.1 um"."""
    return f"{value / 1000:+z.4f} deg" if kind == "rotary" else f"{value:+z.1f} um"


def feature_name(feature: FeatureOutlook) -> str:
    """The feature as a person knows it: "12 (bearing bore)"."""
    return f"{feature.id} ({feature.name})" if feature.name else feature.id


def remedy(evidence: Evidence) -> str:
    """What a person does when the register itself can go no further."""
    return "change the tool" if evidence.kind == "tool" else "re-clamp or set the work offset anew"
