"""A closed loop for many seeds at once: a policy wishes, people enter after the delay, the machine cuts on.

The house rules are everybody's: one entry at a time for each register, on the register's grid; a new tool's wear is set
to zero and what was to be entered for the old one is forgotten.
"""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from feedback.simulate.errors import SimulatedErrors

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


class Policy(Protocol):
    """Arrays are (seeds, registers), in register micrometres."""

    def wish_um(self, part: int, off_um: Floats, held_um: Floats) -> Floats:
        """By how much each register should move, after a part was read; 0: leave it alone.

        `off_um` (seeds, features) is what was read, from the centre of the tolerance.
        """

    def entered(self, moved_um: Floats) -> None:
        """So much was entered before the next part is cut."""

    def renewed(self, fresh: Flags) -> None:
        """New tools before the next part."""


def run_policy(
    policy: Policy, errors: SimulatedErrors, centre_um: Floats, step_um: Floats, delay: int
) -> tuple[Floats, int]:
    """What corrections put into the registers (seeds, parts, registers), and how many there were."""
    seeds, parts, registers = errors.untouched_um.shape
    held, due, coming = np.zeros((seeds, registers)), np.full((seeds, registers), -1), np.zeros((seeds, registers))
    path, corrections = np.zeros((seeds, parts, registers)), 0
    is_read: Flags = np.any(~np.isnan(errors.read_um[0]), axis=1)
    is_zeroed: Flags = np.any(errors.is_zeroed, axis=(0, 2))
    for part in range(parts):
        if is_zeroed[part]:
            fresh = errors.is_zeroed[:, part]
            held[fresh], due[fresh] = 0.0, -1
            policy.renewed(fresh)
        entry = due == part
        if entry.any():
            moved = np.where(entry, coming, 0.0)
            held, due, corrections = held + moved, np.where(entry, -1, due), corrections + int(entry.sum())
            policy.entered(moved)
        path[:, part] = held
        if is_read[part]:
            wish = policy.wish_um(part, errors.read_um[:, part] + held @ errors.moves - centre_um, held)
            wish = np.round(wish / step_um) * step_um
            asked = (wish != 0.0) & (due < 0)
            due, coming = np.where(asked, part + 1 + delay, due), np.where(asked, wish, coming)
    return path, corrections
