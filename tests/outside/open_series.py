"""Published series that are kept beside the checkout, and the trend's way through one of them."""

import csv
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest

from feedback.registers import RegisterKind
from feedback.trend.statespace import Array
from feedback.trend.tracker import GroupShape, Outlooks, Parameters, Priors, Row, Tracker

FOLDER = Path(__file__).parents[3] / "shared" / "data"


def table(name: str) -> list[dict[str, str]]:
    """The rows of one series; its source and licence stand in its head. Some may not be copied into a package."""
    path = FOLDER / name
    if not path.is_file():
        pytest.fail(f"{name}: not found in shared/data beside the checkout; put the open series there", pytrace=False)
    with path.open(encoding="ascii", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def column(name: str, header: str) -> Array:
    """One column without gaps."""
    return np.array([float(row[header]) for row in table(name)])


def followed(
    readings: Iterable[float], kind: RegisterKind = "tool", sensitivity: float = 1.0, fixed: Parameters | None = None
) -> Outlooks:
    """What is known after each part of one feature on one register; nan where a part was not probed."""
    rows = [Row(str(k + 1), (float(reading),), (0.0,), (False,)) for k, reading in enumerate(readings)]
    return Tracker(GroupShape((kind,), ((sensitivity,),)), Priors(), fixed=fixed).take(rows)


def changes_begun(outlooks: Outlooks, readings: Array) -> list[int]:
    """The parts (from 0) with which sudden changes began, as known when they were recognised.

    A change's age counts the parts that were probed; nan in `readings` is one that was not.
    """
    probed = np.flatnonzero(~np.isnan(readings)).tolist()
    recognised = np.flatnonzero(outlooks.jumped[:, 0]).tolist()
    return [probed[probed.index(part) - int(outlooks.jump_age[part, 0])] for part in recognised]


def mass_standard_um() -> Array:
    """The kilogram check standard against its first value, 10 ug written as 1 um: its scatter is then a probe's.

    The file gives mg; 28 ug of scatter become 2.8 um, the step of 1982 of about 75 ug becomes 7.5 um.
    """
    value_mg = column("nist_mass_check_standard.csv", "value_mg")
    return (value_mg - value_mg[0]) * 100
