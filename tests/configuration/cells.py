"""A small sound cell folder as texts, and the faults that a change to it brings."""

from collections.abc import Mapping
from pathlib import Path

from feedback.configuration.facts import Configuration
from feedback.configuration.loading import from_texts
from feedback.errors import ConfigurationError

FOLDER = Path("/cell")

CELL = """\
[cell]
name = "Cell 3"
time_zone = "Europe/Lisbon"

[machine.M1]
logs = "logs/M1"
unit = "mm"
least_increment = "0.001 mm"
dialect = "g10-memory"
tool_radius = "radius"

[artefact.RING1]
kind = "ring"
size = "40.00062 mm"
uncertainty = "0.0008 mm"
material = "steel"
error_limit = "0.003 mm"
due = "8 h"

[person.op1]
name = "Operator 1"
may = ["review"]
"""

HEAD = """\
part = "4101"
material = "aluminium 6061"
probed_in = "54"
"""

BORE = """\
[[feature]]
id = "12"
name = "bearing bore"
kind = "bore"
nominal = "25 mm"
tolerance = "H7"
tool = 5
"""

DATUM = """\
[[feature]]
id = "31"
kind = "position"
axis = "X"
role = "datum"
nominal = "0 mm"
tolerance = ["-0.050 mm", "+0.050 mm"]
work = "54"
"""

PLAN = HEAD + BORE + DATUM

LIMITS = """\
[default]
band = "30 %"

[kind.work]
step = "0.010 mm"

[register."M1 tool 5 radius"]
band = "20 %"
"""

SOUND: Mapping[str, str] = {"cell.toml": CELL, "parts/4101.toml": PLAN, "limits.toml": LIMITS}


def cell(**changed: str) -> Configuration:
    """The sound cell with whole files replaced: cell, plan or limits."""
    return from_texts(FOLDER, texts(**changed))


def texts(**changed: str) -> dict[str, str]:
    names = {"cell": "cell.toml", "plan": "parts/4101.toml", "limits": "limits.toml"}
    return {**SOUND, **{names.get(key, key): text for key, text in changed.items()}}


def with_features(*features: str) -> Configuration:
    """The sound cell with these [[feature]] tables and no limits of its own."""
    return cell(plan=HEAD + "".join(features), limits="")


def faults(**changed: str) -> list[str]:
    """The faults of the cell with whole files replaced, without the folder."""
    try:
        cell(**changed)
    except ConfigurationError as error:
        return [str(fault).removeprefix(f"{FOLDER}/") for fault in error.faults]
    return []


def feature(id: object = "1", **keys: object) -> str:
    """One [[feature]] table; text is quoted, anything else is written as it is."""
    words = {"id": id, "nominal": "25 mm", "tolerance": Bare('["-0.010 mm", "+0.010 mm"]'), **keys}
    lines = (f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value}" for key, value in words.items())
    return "[[feature]]\n" + "\n".join(lines) + "\n"


class Bare:
    """TOML as written, not to be quoted."""

    def __init__(self, text: str) -> None:
        self._text = text

    def __str__(self) -> str:
        return self._text
