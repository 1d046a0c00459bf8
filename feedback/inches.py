"""Amounts in words, for who stands at a control that counts in inches. Pure, and light enough for `trueup status`.

Rules, trend and history speak of micrometres whatever the machine counts in; only the words that a person reads change.
"""

import re
from collections.abc import Mapping
from typing import Any, Final

UM_PER_INCH: Final = 25_400  # exact by definition (international inch, 1959)
PLACES: Final = 5  # of amounts in inches: 0.25 um

_MICROMETRES: Final = r"(?<![\w.])([+-]?)(\d+(?:\.(\d+))?) um\b"
_IN_WORDS: Final = ("words", "told", "chart", "locked", "doubted")  # keys of an answer that hold words


def in_own_unit(words: str, unit: str) -> str:
    """`words` with its micrometres in inches where `unit` is "inch": "+4.2 um" as "+0.00017 in".

    To 0.00001 in; what was told to a hundredth of a micrometre, to a microinch.
    """
    return re.sub(_MICROMETRES, _in_inches, words) if unit == "inch" else words


def _in_inches(found: "re.Match[str]") -> str:
    sign = "+" if found[1] == "+" else ""
    places = PLACES if len(found[3] or "") < 2 else PLACES + 1
    return f"{float(found[1] + found[2]) / UM_PER_INCH:{sign}z.{places}f} in"


def features_in_own_unit(content: Mapping[str, Any]) -> tuple[str, list[dict[str, Any]]]:
    """The unit and the features of a proposal's content as its page has them: "mm", "deg" or "in".

    Each feature has its `id`, and `before`, `after`, `lower` and `upper` as deviations from nominal.
    """
    unit: str = content["unit"]
    is_inch = unit == "mm" and content["page"]["unit"] == "inch"
    factor = 1000 / UM_PER_INCH if is_inch else 1.0
    amounts = ("before", "after", "lower", "upper")
    features = [
        {"id": feature["id"], **{name: feature[f"{name}_{unit}"] * factor for name in amounts}}
        for feature in content["features"]
    ]
    return "in" if is_inch else unit, features


def places(unit: str) -> int:
    """Decimals that an amount in mm, deg or in is told with."""
    return PLACES if unit == "in" else 4


def answer_in_own_unit(said: dict[str, Any], unit: str) -> dict[str, Any]:
    """Part of an answer document with all its words in the machine's own unit; numbers stay as their keys say."""
    return said if unit != "inch" else {key: _told(key, value, unit) for key, value in said.items()}


def _told(key: str, value: Any, unit: str) -> Any:
    if isinstance(value, str):
        return in_own_unit(value, unit) if key in _IN_WORDS else value
    if isinstance(value, dict):
        return answer_in_own_unit(value, unit)
    if isinstance(value, list):
        return [_told(key, one, unit) for one in value]
    return value
