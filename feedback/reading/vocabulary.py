"""The words of log records: which belong to which, and which must be there.

These are the words of the `pairs` layout; the other layouts translate into them, so that every layout means the same.
"""

from typing import Final

WHEN: Final = frozenset({"DATE", "TIME"})
VALUED: Final = WHEN | {"UNIT"}

KNOWN: Final[dict[str, frozenset[str]]] = {
    "PART": frozenset({"PART", "PLAN"}) | VALUED,
    "END": frozenset({"END"}) | WHEN,
    "FEATURE": frozenset({"FEATURE", "ACTUAL", "NOMINAL", "LOWER", "UPPER", "TOOL", "TEMP"}) | VALUED,
    "MISS": frozenset({"FEATURE"}) | WHEN,
    "OFFSET TOOL": frozenset({"TOOL", "RADIUS", "DIAMETER", "LENGTH", "X", "Z"}) | VALUED,
    "OFFSET WORK": frozenset({"WORK", "P", "X", "Y", "Z", "A", "B", "C"}) | VALUED,
    "NEWTOOL": frozenset({"NEWTOOL"}) | WHEN,
    "SETTER": frozenset({"TOOL", "LENGTH", "RADIUS", "DIAMETER"}) | VALUED,
    "ARTEFACT": frozenset({"ARTEFACT", "PROBE", "ACTUAL", "X", "Y", "TEMP"}) | VALUED,
    "CALIBRATION": frozenset({"PROBE", "ARTEFACT"}) | VALUED,  # and any word a calibration prints
    "REPEAT": frozenset({"REPEAT", "POINT", "ACTUAL", "X", "Y", "TEMP"}) | VALUED,
}
NEEDED: Final[dict[str, tuple[str, ...]]] = {
    "PART": ("PART",),
    "END": ("END",),
    "FEATURE": ("FEATURE", "ACTUAL"),
    "MISS": ("FEATURE",),
    "OFFSET TOOL": ("TOOL",),
    "OFFSET WORK": ("WORK",),
    "NEWTOOL": ("NEWTOOL",),
    "SETTER": ("TOOL",),
    "ARTEFACT": ("ARTEFACT", "ACTUAL"),
    "CALIBRATION": ("PROBE",),
    "REPEAT": ("REPEAT", "POINT", "ACTUAL"),
}
OPEN_KINDS: Final = frozenset({"CALIBRATION"})  # kinds that may carry words beyond the known ones
ALL_WORDS: Final = frozenset().union(*KNOWN.values(), {"OFFSET", "MISS", "SETTER", "CALIBRATION"})
