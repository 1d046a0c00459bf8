"""What all readings of a machine told of each register after each part, worked out again from its groups' pasts. Pure.

The same `Weighing` as live. It rests on the newest parts alone, so that it tells the same of a long past in portions.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from feedback.common import QUIET
from feedback.follow import Moment, PartSeen, Progress, Track
from feedback.replay.following import Followed
from feedback.replay.past import CAUSES, NOT_ASKED, Codes
from feedback.weighing import Weighing

PARTS_AT_ONCE = 500


def told(some: Sequence[Followed], times: float) -> list[Codes]:
    """For every group its n x R places in `CAUSES`. `times`: how much likelier than all else a named cause must be."""
    weighing = Weighing([one.past.group for one in some], times)
    found = [np.full(one.past.value_mm.shape, NOT_ASKED, dtype=np.int8) for one in some]
    for low, high in _portions(some):
        for one in some:
            _start_over(weighing, one, low)
        news = [_progress(one, low, high) for one in some]
        weighing.take((one.past.group, progress) for one, (_, progress) in zip(some, news, strict=True))
        weighing.expect(moment for _, progress in news for moment in progress.moments)
        for table, (first, progress) in zip(found, news, strict=True):
            for k, moment in enumerate(progress.moments):
                table[first + k] = _codes(weighing, moment)
    return found


def _portions(some: Sequence[Followed]) -> list[tuple[int, int]]:
    """Part ids from one to before the next: so many at once, and anew where a group started over."""
    ids = np.unique(np.concatenate([one.past.part_id for one in some]))
    starts = {int(one.past.part_id[row]) for one in some for row, _ in one.again}
    edges = sorted({*ids[::PARTS_AT_ONCE].tolist(), *starts, int(ids[-1]) + 1})
    return list(pairwise(edges))


def _start_over(weighing: Weighing, one: Followed, low: int) -> None:
    for row, known in one.again:
        if one.past.part_id[row] == low:
            weighing.forget(one.past.group)
            weighing.take_up([(one.past.group, known)])


def _progress(one: Followed, low: int, high: int) -> tuple[int, Progress]:
    """The group's rows with these part ids, and the first of them."""
    first, end = np.searchsorted(one.past.part_id, [low, high]).tolist()
    moments = tuple(_moments(one, slice(first, end)))
    outlooks = one.past.outlooks[first:end] if moments else None
    return first, Progress(moments=moments, outlooks=outlooks, later_changes=())


def _moments(one: Followed, rows: slice) -> Iterator[Moment]:
    """What weighing looks at of these rows."""
    past, registers = one.past, one.past.group.registers
    keys = [feature.key for feature in past.group.features]
    columns = (past.part_id, past.at_us, past.passed, past.read_um, past.fresh, one.travel_um)
    lists = (column[rows].tolist() for column in columns)
    for name, part_id, at_us, passed, read, fresh, travel in zip(past.part[rows], *lists, strict=True):
        deviations = {key: um for key, um in zip(keys, read, strict=True) if um == um}
        tracks = {
            register: Track(travel_um=um, parts_since_new_tool=1 if new else None)
            for register, um, new in zip(registers, travel, fresh, strict=True)
        }
        seen = PartSeen(part_id=part_id, part=name, at_us=at_us, deviations=deviations)
        yield Moment(seen=seen, tracks=tracks, changes=(), passed=passed)


def _codes(weighing: Weighing, moment: Moment) -> list[int]:
    verdict = weighing.told(moment)
    if verdict is None:
        return [NOT_ASKED] * len(moment.tracks)
    return [CAUSES.index(verdict.get(register, QUIET).cause) for register in moment.tracks]
