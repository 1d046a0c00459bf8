"""Which parts of a long run need no asking: the rules would say `leave`. Pure.

Most parts of a backlog are plain. For a register whose features all have |own / S| within the register's band, the
best step lies between the smallest and the largest own / S (beyond them every margin shrinks at once), so the error is
inside the band too and no rule wishes. With every reading inside its guarded limits none stops. With nothing unsettled
and every feature inside its band, neither of the rules that count without a wish (moving, conflict) has a say.
`tests/test_screen.py` holds this against the rules themselves.
"""

from collections.abc import Sequence

import numpy as np

from feedback.configuration.facts import Group
from feedback.evidence import Forecast
from feedback.follow import UM_PER_MM, Moment
from rules.limits import Limits

SAFE = 0.999  # of the band: a part on its edge is asked about


class Screen:
    """The screen of one group under its limits."""

    def __init__(self, group: Group, limits: Sequence[Limits]) -> None:
        self._keys = [feature.key for feature in group.features]
        self._lower = np.array([float(feature.lower) * UM_PER_MM for feature in group.features])
        self._upper = np.array([float(feature.upper) * UM_PER_MM for feature in group.features])
        guard = np.array([group.guard(feature).band_um for feature in group.features])
        self._least, self._most = self._lower + guard, self._upper - guard
        self._sensitivity = np.array(
            [[float(feature.moves.get(register, 0)) for register in group.registers] for feature in group.features]
        ).reshape(len(group.features), len(group.registers))
        half = (self._upper - self._lower) / 2
        with np.errstate(divide="ignore"):
            room = half[:, None] / np.abs(self._sensitivity)
        self._band = np.array([one.band for one in limits]) * np.min(room, axis=0, initial=np.inf)
        self._implausible = np.array([one.implausible_um for one in limits])

    def quiet(self, moments: Sequence[Moment], seen: Forecast) -> list[list[bool]]:
        """[part][register]: the rules would answer `leave`."""
        own_um, unsettled = seen.prediction.own_um, seen.outlooks.unsettled
        last = np.array([[moment.seen.deviations.get(key, np.nan) for key in self._keys] for moment in moments])
        moves = self._sensitivity != 0
        with np.errstate(divide="ignore", invalid="ignore"):
            inside = np.abs(own_um / self._sensitivity) <= SAFE * self._band
        unread = np.isnan(last)
        in_tolerance = unread | ((last >= self._least) & (last <= self._most))
        plausible = unread[:, :, None] | (np.abs(last)[:, :, None] <= self._implausible)
        fine = inside & in_tolerance[:, :, None] & plausible
        found: list[list[bool]] = (np.all(fine | ~moves, axis=1) & ~unsettled).tolist()
        return found
