"""Follows one coupling group through its past, as live, and puts what was known after each part into columns. Pure."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np

from feedback.configuration.facts import Group, Machine
from feedback.delay import parts_before_entry
from feedback.follow import UM_PER_MM, Change, Follower, Happening, Moment, PartSeen, Progress
from feedback.replay.arrival import AS_THEY_CAME, LAST, Arrivals, Stretch, stretches
from feedback.replay.past import NOT_ASKED, UNCHECKED, ChangeSeen, Counts, Floats, GroupPast

if TYPE_CHECKING:
    from feedback.trend.outlooks import Outlooks

ROWS_AT_ONCE = 20_000  # followed together; changes memory only


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """A proposal that reached the machine: the log line that showed it, and the part it was opened at.

    `number` is the machine's count of its parts when it was seen, `parts` how many were cut before it.
    """

    register: str
    source: str
    value: Decimal  # beside the line, since a control may write every day's file under one name
    opened_part_id: int
    number: int = 0
    parts: int = 0

    @property
    def key(self) -> tuple[str, str, Decimal]:
        return self.register, self.source, self.value


@dataclass(frozen=True, slots=True)
class Followed:
    """A group's past, with what weighing the whole machine's readings needs beside it.

    `again` are the rows before which the group started over, with what it then saw once more.
    """

    past: GroupPast
    travel_um: Floats  # n x R, as the follower counts it
    again: Sequence[tuple[int, Progress]]


def followed(
    group: Group,
    machine: Machine,
    happenings: Sequence[Happening],
    numbers: Mapping[int, int],
    entered: Sequence[Entered],
) -> GroupPast | None:
    """The past of `group` alone, each part come by itself and nothing ever doubted; see `follow_group`."""
    found = follow_group(group, machine, happenings, numbers, entered)
    return None if found is None else found.past


def follow_group(
    group: Group,
    machine: Machine,
    happenings: Sequence[Happening],
    numbers: Mapping[int, int],
    entered: Sequence[Entered],
    arrivals: Arrivals = AS_THEY_CAME,
) -> Followed | None:
    """`group` followed through its past, part by part as it came; None without parts or registers.

    `happenings` in the order in which they happened, with every reading that was believed at first; `numbers` counts
    the machine's parts by part id. What concerns the whole machine (`told`, `probe`, `locked`) is not filled in.
    """
    if not group.registers or not any(isinstance(one, PartSeen) for one in happenings):
        return None
    follower = Follower(group, machine)
    pieces: list[_Piece] = []
    for stretch in stretches(happenings, arrivals):
        known = None
        if stretch.known is not None:
            follower = Follower(group, machine)
            known = follower.advance(stretch.known)
        pieces += _pieces(follower, stretch, known)
    return _joined(group, machine, pieces, numbers, entered, arrivals) if pieces else None


def _pieces(follower: Follower, stretch: Stretch, known: Progress | None) -> Iterator["_Piece"]:
    for few in _portions(stretch.happenings):
        progress = follower.advance(few)
        if progress.outlooks is not None:
            yield _Piece(progress.moments, progress.outlooks, known)
            known = None


def _portions(happenings: Sequence[Happening]) -> Iterator[Sequence[Happening]]:
    return (happenings[start : start + ROWS_AT_ONCE] for start in range(0, len(happenings), ROWS_AT_ONCE))


@dataclass(frozen=True, slots=True)
class _Piece:
    moments: Sequence[Moment]
    outlooks: "Outlooks"
    known: Progress | None  # what was seen once more before it


def _key(change: Change) -> tuple[str, str, Decimal]:
    return str(change.register), change.source, change.new


def _joined(
    group: Group,
    machine: Machine,
    pieces: Sequence[_Piece],
    numbers: Mapping[int, int],
    entered: Sequence[Entered],
    arrivals: Arrivals,
) -> Followed:
    moments = [moment for piece in pieces for moment in piece.moments]
    starts = np.cumsum([0, *(len(piece.moments) for piece in pieces)]).tolist()
    again = [(start, piece.known) for start, piece in zip(starts, pieces, strict=False) if piece.known is not None]
    outlooks = joined_outlooks([piece.outlooks for piece in pieces])
    past = _past(group, machine, moments, outlooks, numbers, entered, arrivals)
    return Followed(past, _by_register(group, moments, lambda track: track.travel_um), again)


def _past(
    group: Group,
    machine: Machine,
    moments: Sequence[Moment],
    outlooks: "Outlooks",
    numbers: Mapping[int, int],
    entered: Sequence[Entered],
    arrivals: Arrivals,
) -> GroupPast:
    asked = {one.key for one in entered}
    changes = [(row, one, _key(one) in asked) for row, moment in enumerate(moments) for one in moment.changes]
    seen = [moment.seen for moment in moments]
    keys = [feature.key for feature in group.features]
    number = np.array([numbers[one.part_id] for one in seen], dtype=np.int64)
    text = [arrivals.text(one.part_id) for one in seen]
    shape = (len(moments), len(group.registers))
    return GroupPast(
        group=group,
        machine=machine,
        part_id=np.array([one.part_id for one in seen], dtype=np.int64),
        text=np.maximum.accumulate(np.array(text, dtype=np.int64)),
        number=number,
        at_us=np.array([one.at_us for one in seen], dtype=np.int64),
        passed=np.array([moment.passed for moment in moments], dtype=np.int64),
        part=[one.part for one in seen],
        doubts={row: one.doubts for row, one in enumerate(seen) if one.doubts},
        read_um=np.array([[one.deviations.get(key, np.nan) for key in keys] for one in seen]),
        void=np.array([bool(one.deviations) and bool(arrivals.doubted(one, LAST)) for one in seen]),
        fresh=_by_register(group, moments, lambda track: track.parts_since_new_tool == 1).astype(np.bool_),
        value_mm=_by_register(group, moments, lambda track: np.nan if track.value is None else float(track.value)),
        hand_um=_moved(group, shape, [(row, one) for row, one, is_entry in changes if not is_entry]),
        entry_um=_moved(group, shape, [(row, one) for row, one, is_entry in changes if is_entry]),
        delay=_delays(group, machine, shape, number, numbers, changes, entered, seen),
        ahead=_ahead(machine.lag, number, entered),
        outlooks=outlooks,
        apart=np.array([[register in moment.apart for register in group.registers] for moment in moments]),
        told=np.full(shape, NOT_ASKED, dtype=np.int8),
        probe=np.full(len(moments), UNCHECKED, dtype=np.int8),
        changes=[ChangeSeen(row, group.registers.index(one.register), one.source) for row, one, _ in changes],
        locked=np.full(shape, -1, dtype=np.int64),
    )


def _by_register(group: Group, moments: Sequence[Moment], of: Any) -> Floats:
    table = [[of(moment.tracks[register]) for register in group.registers] for moment in moments]
    return np.array(table, dtype=np.float64).reshape(len(moments), len(group.registers))


def _moved(group: Group, shape: tuple[int, int], changes: Sequence[tuple[int, Change]]) -> Floats:
    moved = np.zeros(shape)
    for row, change in changes:
        if not change.at_new_tool:
            moved[row, group.registers.index(change.register)] += float(change.new - change.old) * UM_PER_MM
    return moved


def _delays(
    group: Group,
    machine: Machine,
    shape: tuple[int, int],
    number: Counts,
    numbers: Mapping[int, int],
    changes: Sequence[tuple[int, Change, bool]],
    entered: Sequence[Entered],
    seen: Sequence[PartSeen],
) -> Counts:
    """The shop's own lag: that of the proposal really made here, else of its last entry seen so far, else as stated."""
    opened = {one.key: one.opened_part_id for one in entered}
    row_of = {one.part_id: row for row, one in enumerate(seen)}
    delay = np.full(shape, machine.lag, dtype=np.int64)
    own: list[tuple[int, int, int]] = []
    for row, change, is_entry in changes:
        opened_id = opened.get(_key(change))
        if not is_entry or opened_id is None or opened_id not in numbers:
            continue
        column = group.registers.index(change.register)
        lag = max(0, int(number[row]) - numbers[opened_id] - 1)
        delay[row:, column] = lag
        if opened_id in row_of:
            own.append((row_of[opened_id], column, lag))
    for row, column, lag in own:
        delay[row, column] = lag
    return delay


def _ahead(lag: int, number: Counts, entered: Sequence[Entered]) -> Counts:
    """As `feedback.desk` counts on: what the machine's entries before each part took."""
    known = sorted(entered, key=lambda one: one.number)
    lags = [lag, *(parts_before_entry(lag, [one.parts for one in known[: k + 1]]) for k in range(len(known)))]
    return np.array(lags, dtype=np.int64)[np.searchsorted([one.number for one in known], number)]


def joined_outlooks(pieces: Sequence["Outlooks"]) -> "Outlooks":
    """Outlooks one after the other, as of one run."""
    if len(pieces) == 1:
        return pieces[0]
    columns: dict[str, Any] = {}
    for field in fields(pieces[0]):
        values = [getattr(piece, field.name) for piece in pieces]
        if isinstance(values[0], np.ndarray):
            columns[field.name] = np.concatenate(values)
        elif isinstance(values[0], list | tuple):
            columns[field.name] = [one for value in values for one in value]
        else:
            columns[field.name] = values[0]
    return type(pieces[0])(**columns)
