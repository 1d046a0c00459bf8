"""One part as it really is."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedback.simulate.happenings import Happening
from feedback.simulate.plans import PartPlan

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PartTruth:
    """One part as it really is. Arrays are in the order of the setup's features or registers, micrometres.

    `made_um` is each feature's own deviation at 20 degC; `read_um` its reading, nan where none was taken. `held_um` is
    what each register has been moved by since set-up when this part was cut, radius-valued. `happened` began here.
    """

    machine: str
    index: int
    plan: PartPlan
    made_um: Floats
    read_um: Floats
    held_um: Floats
    happened: tuple[Happening, ...]
