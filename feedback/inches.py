"""Amounts in words, for who stands at a control that counts in inches. Pure, and light enough for `trueup status`.

Rules, trend and history speak of micrometres whatever the machine counts in; only the words that a person reads change.
"""

import re
from typing import Any, Final

UM_PER_INCH: Final = 25_400  # exact by definition (international inch, 1959)

_MICROMETRES: Final = r"(?<![\w.])([+-]?)(\d+(?:\.(\d+))?) um\b"
_IN_WORDS: Final = ("words", "told", "chart", "locked", "doubted")  # keys of an answer that hold words


def in_own_unit(words: str, unit: str) -> str:
    """`words` with its micrometres in inches where `unit` is "inch": "+4.2 um" as "+0.00017 in".

    To 0.00001 in; what was told to a hundredth of a micrometre, to a microinch.
    """
    return re.sub(_MICROMETRES, _in_inches, words) if unit == "inch" else words


def _in_inches(found: "re.Match[str]") -> str:
    sign = "+" if found[1] == "+" else ""
    places = 5 if len(found[3] or "") < 2 else 6
    return f"{float(found[1] + found[2]) / UM_PER_INCH:{sign}z.{places}f} in"


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
