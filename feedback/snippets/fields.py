"""The fields a dialect's templates may use, and what each can turn into.

Numbers and registers may stand where a control executes them; text from logs, plans and people only in notes.
"""

import re
from collections.abc import Mapping
from string import Template
from typing import Final

_NUMBER = r"-?\d+(?:\.\d+)?"

SYSTEM_SHAPE: Final = r"(?:L\d{1,2} )?P\d{1,3}"

EXECUTABLE_FIELDS: Final[Mapping[str, str]] = {
    "tool": r"\d+",
    "system": SYSTEM_SHAPE,
    "axis": "[XYZABC]",
    "parameter": r"\d+",
    "now": _NUMBER,
    "new": _NUMBER,
    "half_increment": _NUMBER,
    "mm_per_unit": r"1|25\.4",
    "unit_code": r"[A-Za-z0-9]+",  # narrowed to the dialect's own two
    "unit": "mm|inch|deg",
    "register": r"tool \d+ (?:length|radius|x|z)|work \d+(?:\.\d+)?(?: P\d+)? [XYZABC]",
}
"""Field -> the only shape its value can have."""

HAND_ENTRY_FIELDS: Final[Mapping[str, str]] = {"change": r"[+-]?\d+(?:\.\d+)?", "stored_as": "| as radius| as diameter"}
"""Likewise, but only where a person is the one who reads: an increment run twice does harm."""

TOOL_FIELDS: Final = frozenset({"tool"})
WORK_FIELDS: Final = frozenset({"system", "axis", "parameter"})
"""Fields that only one kind of register has."""

TEXT_FIELDS: Final = ("id", "cell", "machine", "cause", "features", "parts", "expires")
"""Fields holding text of any origin: in notes only, and made inert there."""

SAMPLE: Final[Mapping[str, str]] = {
    "tool": "5",
    "system": "P1",
    "axis": "X",
    "parameter": "5221",
    "now": "-0.012",
    "new": "-0.018",
    "half_increment": "0.0005",
    "mm_per_unit": "1",
    "unit_code": "",
    "unit": "mm",
    "register": "tool 5 radius",
    "change": "-0.006",
    "stored_as": " as radius",
}
"""One value of each, to try a template before it is needed."""


def names(template: str) -> list[str]:
    """The fields `template` uses."""
    return Template(template).get_identifiers()


def filled(template: str, values: Mapping[str, str]) -> str:
    """`template` with its fields replaced."""
    return Template(template).substitute(values)


def shape(template: str, fields: Mapping[str, str]) -> re.Pattern[str]:
    """What a line made from `template` must look like."""
    marks = {name: f"\0{name}\0" for name in fields}
    pattern = re.escape(filled(template, marks).rstrip())
    for name, field in fields.items():
        pattern = pattern.replace(re.escape(marks[name]), f"(?:{field})")
    return re.compile(pattern + " *")
