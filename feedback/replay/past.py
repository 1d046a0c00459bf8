"""One coupling group's past in columns: what the trend knew after each part, and what was changed. Pure.

The estimates do not depend on the limits, and the trend is linear in known moves (design: filter once, decide many). So
the group is followed once, as live (`feedback.replay.following`), and everything a rule may look at is read from here.
Changes that came from proposals are kept apart from all others: a replay takes them out and puts its own in.

What stood in the way at a part, whatever the limits, stands here too, and none of the columns looks ahead:

- facts of the parts: what the whole machine told (`told`), a tool setter that says something else (`apart`), the
  probe's state (`probe`), readings as they were believed when they came, locks on a broken or missing tool and on what
  moved together (`locked`);
- what rests on the corrections really made: a lock because a change did not do what it promised. It stands as long as
  it stood, also under limits that would not have made that change: whatever was wrong with the register, or with the
  readings of those parts, was wrong all the same. And a part told to have moved may in truth have been an own
  correction with another effect than promised: a replayed one has just the promised effect, so a replay cannot know.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from decimal import Decimal
from functools import cached_property
from typing import TYPE_CHECKING, Final, NamedTuple, get_args

import numpy as np
from numpy.typing import NDArray

from feedback.common import Told
from feedback.configuration.facts import Group, Machine
from feedback.evidence import Forecast, Standing, Witness
from feedback.fitness.standing import MOST_PRESSING_FIRST
from feedback.follow import UM_PER_MM, Moment, PartSeen, Track
from feedback.locks import tells_of_break
from rules.evidence import Cause, Evidence

if TYPE_CHECKING:
    from feedback.trend.outlooks import Outlooks, Prediction

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]
Codes = NDArray[np.int8]

NOBODY = Standing()
CAUSES: Final[tuple[Cause, ...]] = get_args(Cause)
NOT_ASKED: Final = -1
FIT, UNCHECKED = MOST_PRESSING_FIRST.index("fit"), MOST_PRESSING_FIRST.index("unchecked")
FORBIDS: Final = (MOST_PRESSING_FIRST.index("failed"), MOST_PRESSING_FIRST.index("due"))


class ChangeSeen(NamedTuple):
    """The log line that showed a register to have been changed before a row."""

    row: int
    column: int
    source: str


@dataclass(frozen=True, kw_only=True)
class GroupPast:
    """n parts of one group with F features and R registers; row k rests on what had arrived with part k.

    Micrometres (millidegrees). `value_mm` is what the register held (mm or deg), nan until it was printed; `hand_um`
    and `entry_um` are its changes since the row before that nobody proposed, and that a proposal asked for; a change
    that is part of setting up a new tool (`fresh`) is in neither.
    """

    group: Group
    machine: Machine
    part_id: Counts
    text: Counts  # the text that completed the part
    number: Counts  # the machine's own count of parts, of this group or not
    at_us: Counts
    part: Sequence[str]
    doubts: Mapping[int, tuple[str, ...]]  # row -> words, where there are any
    read_um: Floats  # n x F, deviations from nominal; nan: not read, or not believed when it came
    void: Flags  # n, its readings were believed when they came and later came to be in doubt
    fresh: Flags  # n x R, a new tool was recorded since the row before
    value_mm: Floats  # n x R
    hand_um: Floats  # n x R
    entry_um: Floats  # n x R
    passed: Counts  # parts of its plans cut since the row before that gave no reading
    delay: Counts  # n x R, parts that would be cut between this one and the first cut with a correction proposed now
    ahead: Counts  # n, parts taken to be cut before an entry, as far as was known: how far the trend looks ahead
    outlooks: "Outlooks"
    apart: Flags  # n x R, the tool setter says something else than the parts
    told: Codes  # n x R, what all readings of the machine tell of the register: place in CAUSES, or NOT_ASKED
    probe: Codes  # n, the state of the probe: place in MOST_PRESSING_FIRST
    changes: Sequence[ChangeSeen]
    locked: Counts  # n x R, which of `locks` stood against the register; -1: none
    locks: Sequence[str] = ()
    first: int = 0  # the row from which on a replay decides

    def __len__(self) -> int:
        return len(self.part)

    @cached_property
    def forecast(self) -> Forecast:
        """What was expected after each row, as far ahead as was looked then."""
        found = Forecast(self.outlooks, self.machine.lag)
        for lag in np.unique(self.ahead[self.ahead != self.machine.lag]).tolist():
            found.prediction = _mixed(found.prediction, Forecast(self.outlooks, lag).prediction, self.ahead == lag)
        return found

    @cached_property
    def witnesses(self) -> tuple[Witness, ...]:
        return tuple(Witness(self.group, register, self.machine) for register in self.group.registers)

    @cached_property
    def sensitivity(self) -> Floats:
        """F x R."""
        registers = self.group.registers
        table = [[float(feature.moves.get(register, 0)) for register in registers] for feature in self.group.features]
        return np.array(table).reshape(len(table), len(registers))

    @cached_property
    def lower_um(self) -> Floats:
        return np.array([float(feature.lower) * UM_PER_MM for feature in self.group.features])

    @cached_property
    def upper_um(self) -> Floats:
        return np.array([float(feature.upper) * UM_PER_MM for feature in self.group.features])

    @cached_property
    def guard_um(self) -> Floats:
        """F: a reading nearer to a limit cannot be shown to be good."""
        return np.array([self.group.guard(feature).band_um for feature in self.group.features])

    @property
    def wild(self) -> Flags:
        """n x F: the trend left the reading out."""
        return self.outlooks.wild[:, : len(self.group.features)]

    @property
    def uncounted(self) -> Flags:
        """n x F: readings that say nothing of how good the parts were."""
        return self.wild | self.void[:, None]

    def unfit(self, *, is_check_required: bool) -> Flags:
        """n: nothing may be corrected by such a probe."""
        return np.asarray(self.probe != FIT if is_check_required else np.isin(self.probe, FORBIDS), dtype=np.bool_)

    @cached_property
    def due_row(self) -> Counts:
        """n x R: the first row that is cut with a correction proposed after this one; n where there is none."""
        first = self.number[:, None] + 1 + self.delay
        return np.searchsorted(self.number, first).astype(np.int64)

    def seen(self, row: int, extra_um: Floats | None = None) -> PartSeen:
        """The part of a row, as it would have read with so much more in the registers."""
        shift = 0.0 if extra_um is None else self.sensitivity @ extra_um
        read = (self.read_um[row] + shift).tolist()
        keys = [feature.key for feature in self.group.features]
        return PartSeen(
            part_id=int(self.part_id[row]),
            part=self.part[row],
            at_us=int(self.at_us[row]),
            deviations={key: um for key, um in zip(keys, read, strict=True) if um == um},
            doubts=self.doubts.get(row, ()),
        )

    def evidence(
        self,
        row: int,
        column: int,
        track: Track | None = None,
        standing: Standing = NOBODY,
        extra_um: Floats | None = None,
        *,
        is_check_required: bool = False,
    ) -> Evidence:
        """What the rules look at after a row, with so much more in the registers; without `track`, as really held.

        To `standing` is added what stood in the way whatever was corrected.
        """
        seen = self.forecast.after(row)
        if extra_um is not None:
            shift = self.sensitivity * extra_um
            total, own = np.array(seen.total_um) + shift.sum(axis=1), np.array(seen.own_um) + shift
            seen = replace(seen, total_um=total.tolist(), own_um=own.tolist())
        apart = frozenset(self.group.registers[column : column + 1] if self.apart[row, column] else ())
        moment = Moment(seen=self.seen(row, extra_um), tracks={}, changes=(), apart=apart)
        held = Track(value=self.value(row, column)) if track is None else track
        standing = self._stood(row, column, standing, is_check_required)
        return self.witnesses[column].evidence(seen, moment, held, standing, told=self._told(row, column))

    def _stood(self, row: int, column: int, standing: Standing, is_check_required: bool) -> Standing:
        lock = int(self.locked[row, column])
        words = None if lock < 0 else self.locks[lock]
        is_broken = tells_of_break(words)
        is_unfit = self.probe[row] != FIT if is_check_required else self.probe[row] in FORBIDS
        return replace(
            standing,
            locked=None if is_broken else words,
            broken=words if is_broken else None,
            unfit=f"the probe was {MOST_PRESSING_FIRST[self.probe[row]]}" if is_unfit else None,
        )

    def _told(self, row: int, column: int) -> Told | None:
        cause = int(self.told[row, column])
        return None if cause == NOT_ASKED else Told(CAUSES[cause], "")

    def value(self, row: int, column: int) -> Decimal | None:
        """What a register held, as it was printed."""
        value = float(self.value_mm[row, column])
        return Decimal(repr(value)) if value == value else None

    def window(self, since_us: int | None, until_us: int | None) -> "GroupPast":
        """The same past with nothing after `until_us`; what was done before `since_us` stays as it was."""
        end = len(self) if until_us is None else int(np.searchsorted(self.at_us, until_us, side="right"))
        first = 0 if since_us is None else min(end, int(np.searchsorted(self.at_us, since_us)))
        kept, early = self[:end], np.arange(end)[:, None] < first
        return replace(
            kept,
            first=first,
            hand_um=np.where(early, kept.hand_um + kept.entry_um, kept.hand_um),
            entry_um=np.where(early, 0.0, kept.entry_um),
        )

    def __getitem__(self, rows: slice) -> "GroupPast":
        start, stop, _ = rows.indices(len(self))
        columns = {name: getattr(self, name)[rows] for name in (*ARRAYS, "part", "outlooks")}
        doubts = {row - start: words for row, words in self.doubts.items() if start <= row < stop}
        changes = [one._replace(row=one.row - start) for one in self.changes if start <= one.row < stop]
        return replace(self, doubts=doubts, changes=changes, locked=self.locked[rows], **columns)


ARRAYS = (
    "part_id",
    "text",
    "number",
    "at_us",
    "passed",
    "read_um",
    "void",
    "fresh",
    "value_mm",
    "hand_um",
    "entry_um",
    "delay",
    "ahead",
    "apart",
    "told",
    "probe",
)


def _mixed(one: "Prediction", other: "Prediction", rows: Flags) -> "Prediction":
    """`other` on `rows`, `one` elsewhere."""
    columns = {}
    for field in fields(one):
        mine, theirs = getattr(one, field.name), getattr(other, field.name)
        columns[field.name] = np.where(rows.reshape(-1, *[1] * (mine.ndim - 1)), theirs, mine)
    return type(one)(**columns)
