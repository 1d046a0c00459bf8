"""The files of a new cell folder: complete, sound, and with a reason beside each number."""

import json
from collections.abc import Mapping
from typing import Final

from feedback.configuration.models import folder_name
from feedback.errors import UsageError
from feedback.units import LengthUnit

_CELL: Final = """\
# One cell: its machines, its certified artefacts and the people who may decide.

[cell]
name = {name}
time_zone = {time_zone}  # of the controls' clocks, such as "Europe/Lisbon"
store = "sqlite"  # or "postgresql://user@host/database"; its password comes from TRUEUP_STORE_PASSWORD

[machine.{machine_key}]
logs = "logs/{machine}"  # one folder or a list; a network share works; nothing is ever written there
layout = "pairs"  # how its logs are written; your own go into layouts/
unit = "{unit}"  # of the bare numbers in its logs and registers: mm or inch
least_increment = "{increment}"  # the smallest step on its offset page
dialect = "sheet"  # how a correction is written down: sheet, g10-memory, rs274, or your own in dialects/
tool_radius = "radius"  # what its tool register stores: radius or diameter. Look it up at the control: an error doubles
lag = 1  # parts usually cut between the probing and the operator's entry
# repeatability = "{repeatability}"  # standard deviation of the probe, once it has been measured
# setter = "{setter}"  # likewise of the tool setter: then its readings count beside those of the parts
# break_limit = "{break_limit}"  # a tool that has lost more on the tool setter since it was last measured is broken

# A certified ring tells a drifting probe from a wearing tool. Copy every digit of its certificate.
# [artefact.RING1]
# kind = "ring"
# size = "{ring}"  # at 20 degC
# uncertainty = "{ring_uncertainty}"  # expanded, k = 2
# material = "steel"  # or cte = "11.5e-6 /K"
# error_limit = "{ring_limit}"  # a check further off than this casts doubt on everything since the last good one
# due = "8 h"  # or "200 parts": nothing is proposed while a check is overdue
# certificate_until = 2027-06-01  # a check with a certificate that has run out says nothing
# machines = ["{machine}"]  # those checked with it; left out: every machine

# When a calibration of the probe stops being believable; these are the values in force without the table.
# [machine.{machine_key}.probe]
# pretravel = {pretravel}  # half the nominal ball less the effective radius, least and most
# asymmetry = "{asymmetry}"  # between + and - of one axis
# offset_limit = "{offset_limit}"  # of the ball from the spindle's axis
# change_limit = "{change_limit}"  # of any value since the last calibration

[person.op1]
name = "Operator 1"
may = ["review"]

[person.pe1]
name = "Process engineer 1"
may = ["review", "limits", "release"]
"""

_PLAN: Final = """\
# One inspection plan: what is probed, which tolerance it has, and what a correction would move.
# This one is an example. Replace it with your own; there is one file for each plan.

part = "EXAMPLE"  # what the log's PLAN word says
material = "steel"  # readings are brought to 20 degC with it; or cte = "11.5e-6 /K"
probed_in = "54"  # coordinate system of the probing

[[feature]]
id = "1"  # what the log calls it
name = "example bore"
kind = "bore"  # bore boss pocket web wall floor depth position angle diameter drilled
nominal = "{bore}"
tolerance = {bore_tolerance}
tool = 5  # the tool that finishes it; a bore reads small when tool 5 radius is too big

[[feature]]
id = "2"
name = "example floor"
kind = "floor"
nominal = "{floor}"
tolerance = {floor_tolerance}
tool = 5

[[feature]]
id = "3"
name = "datum face"
kind = "position"
axis = "X"
role = "datum"  # was there before cutting; a machined one needs relative_to or machined_in
nominal = "{datum}"
tolerance = {datum_tolerance}
work = "54"
"""

_LIMITS: Final = """\
# What may be proposed. Every key may be left out; narrower tables inherit from wider ones.

[default]
band = "30 %"  # of the half tolerance: correcting inside it would chase noise
aim = "50 %"  # of the band, past the centre against proven wear: the same worst error with half the corrections
step = "{step}"  # most per correction: a fresh mistake stays small
travel = "{travel}"  # most in sum over a tool's life: a worn-out edge has lost 26 to 80 um of radius
settle = 2  # parts that must show a change before the next one
evidence = 3  # parts behind an estimate: never correct on one reading
confidence = "99 %"  # that the error really is outside the band
implausible = "{implausible}"  # further off than any wear: wrong unit, wrong offset, broken tool
expires = "10 parts"  # an older proposal no longer describes the machine; or a time, "2 h"
check = "advised"  # "required": only with a probe that has passed a check on a certified artefact

[kind.work]
step = "{work_step}"  # a part or fixture that has moved further should be looked at

[kind.rotary]
step = "0.010 deg"  # moves a point 100 mm from the axis by 17 um
travel = "0.100 deg"
implausible = "1 deg"

# [register."{machine} tool 5 radius"]  # one register
# band = "20 %"
"""

_README: Final = """\
# {name}

A cell folder. Logs go in, proposals come out; a person decides, nothing is sent to a machine.

| file | says |
| --- | --- |
| `cell.toml` | machines, certified artefacts, people |
| `parts/*.toml` | what is probed, and which register each reading tells about |
| `limits.toml` | what may be proposed, how far and on how much evidence |
| `logs/{machine}/` | the logs of {machine}: watched, never written |
| `state/` | the history; leave it alone, back it up |

1. Make `cell.toml` true. Look up at the control: the unit, the smallest step, and whether a tool register stores the
   radius or the diameter.
2. Replace `parts/example.toml` by your own plans.
3. `trueup check` shows what each feature can tell, and which causes cannot be told apart.
4. Put logs into `logs/{machine}/` and run `trueup process`, or keep `trueup watch` running.
"""

_VALUES: Final[Mapping[LengthUnit, Mapping[str, str]]] = {
    "mm": {
        "increment": "0.001 mm",
        "repeatability": "0.0010 mm",
        "setter": "0.002 mm",
        "break_limit": "0.2 mm",
        "ring": "40.00062 mm",
        "ring_uncertainty": "0.0008 mm",
        "ring_limit": "0.003 mm",
        "pretravel": '["0.000 mm", "0.030 mm"]',
        "asymmetry": "0.002 mm",
        "offset_limit": "0.020 mm",
        "change_limit": "0.003 mm",
        "bore": "25 mm",
        "bore_tolerance": '"H7"  # ISO 286 class, or two deviations',
        "floor": "-12 mm",
        "floor_tolerance": '["-0.030 mm", "+0.030 mm"]',
        "datum": "0 mm",
        "datum_tolerance": '["-0.050 mm", "+0.050 mm"]',
        "step": "0.020 mm",
        "travel": "0.150 mm",
        "implausible": "0.300 mm",
        "work_step": "0.010 mm",
    },
    "inch": {
        "increment": "0.0001 in",
        "repeatability": "0.00004 in",
        "setter": "0.0001 in",
        "break_limit": "0.008 in",
        "ring": "1.57483 in",
        "ring_uncertainty": "0.00003 in",
        "ring_limit": "0.0001 in",
        "pretravel": '["0.0000 in", "0.0012 in"]',
        "asymmetry": "0.00008 in",
        "offset_limit": "0.0008 in",
        "change_limit": "0.00012 in",
        "bore": "1 in",
        "bore_tolerance": '["0 in", "+0.0016 in"]',
        "floor": "-0.5 in",
        "floor_tolerance": '["-0.0012 in", "+0.0012 in"]',
        "datum": "0 in",
        "datum_tolerance": '["-0.002 in", "+0.002 in"]',
        "step": "0.0008 in",
        "travel": "0.006 in",
        "implausible": "0.012 in",
        "work_step": "0.0004 in",
    },
}


def starter(name: str, machine: str, unit: LengthUnit, time_zone: str = "UTC") -> dict[str, str]:
    """The texts of a new cell folder by relative path; they load without faults. Raises UsageError for a bad name."""
    if not name.strip():
        raise UsageError("found an empty name; wanted what people call the cell")
    try:
        folder_name(machine)
    except ValueError as error:
        raise UsageError(f"machine: {error}") from None
    words = {
        "name": _quoted(name),
        "time_zone": _quoted(time_zone),
        "machine": machine,
        "machine_key": _quoted(machine) if "." in machine else machine,
        "unit": unit,
        **_VALUES[unit],
    }
    return {
        "cell.toml": _CELL.format(**words),
        "parts/example.toml": _PLAN.format(**words),
        "limits.toml": _LIMITS.format(**words),
        "README.md": _README.format(name=" ".join(name.split()), machine=machine),
        f"logs/{machine}/.keep": "",  # hidden files are not taken for logs
    }


def _quoted(text: str) -> str:
    """`text` as a TOML string; JSON's escapes are among TOML's, except that TOML also wants DEL escaped."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
