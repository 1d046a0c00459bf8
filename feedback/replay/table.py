"""What came of a replay, register by register, beside what really came. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from feedback.replay.one import Replayed
from feedback.replay.past import Flags, Floats, GroupPast


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One register (or a machine as a whole, `register` "all"), as it really was and as it would have been.

    Spreads are of what its features read, from the centre of the tolerance, in um (mdeg for a rotary register);
    readings that the trend left out as wild do not count in them, and none that came to be in doubt counts anywhere.
    `outside` is a share of all believed readings,
    `room_um` the smallest distance of one to its limit (negative: outside). `held` and `stopped` count parts at which a
    correction had to wait for a person, or the run was to be stopped.
    """

    machine: str
    register: str
    parts: int
    corrections: int
    corrections_replayed: int
    rms_um: float
    rms_um_replayed: float
    p95_um: float
    p95_um_replayed: float
    outside: float
    outside_replayed: float
    room_um: float
    room_um_replayed: float
    held: int | None  # None: not asked
    held_replayed: int
    stopped: int | None
    stopped_replayed: int
    alarms: int  # changes of the replay that would have been said, wrongly, not to do what was promised

    def as_json(self) -> dict[str, Any]:
        return {key: round(value, 4) if isinstance(value, float) else value for key, value in asdict(self).items()}


Given = dict[tuple[str, str, str], int]  # machine, register, answer -> parts


def lines(some: Sequence[Replayed], given: Given | None = None) -> Iterator[Line]:
    """A line for every register, then one for the lengths of each machine together."""
    for machine in dict.fromkeys(one.past.machine.name for one in some):
        own = [one for one in some if one.past.machine.name == machine]
        found = [_register(one, column, given) for one in own for column in range(len(one.limits))]
        yield from found
        if len(found) > 1:
            yield _all(machine, own, found)


@dataclass(frozen=True, slots=True)
class _Read:
    """Readings of some features: from the centre of the tolerance, and how far inside the limits they lie."""

    off_um: Floats
    room_um: Floats

    @property
    def rms_um(self) -> float:
        return float(np.sqrt(np.mean(np.square(self.off_um)))) if self.off_um.size else float("nan")

    @property
    def p95_um(self) -> float:
        return float(np.quantile(np.abs(self.off_um), 0.95)) if self.off_um.size else float("nan")

    @property
    def outside(self) -> float:
        return float(np.mean(self.room_um < 0)) if self.room_um.size else float("nan")

    @property
    def least_um(self) -> float:
        return float(self.room_um.min()) if self.room_um.size else float("nan")


def _read(past: GroupPast, read_um: Floats, features: Flags) -> _Read:
    rows = slice(past.first, None)
    read, is_left_out = read_um[rows][:, features], past.uncounted[rows][:, features]
    lower, upper = past.lower_um[features], past.upper_um[features]
    off, room = read - (lower + upper) / 2, np.minimum(upper - read, read - lower)
    is_void = np.broadcast_to(past.void[rows, None], room.shape)
    return _Read(off[~np.isnan(off) & ~is_left_out], room[~np.isnan(room) & ~is_void])


def _register(one: Replayed, column: int, given: Given | None) -> Line:
    past, register = one.past, str(one.past.group.registers[column])
    features = past.sensitivity[:, column] != 0
    said = [entry.decision.answer for entry in one.said if entry.column == column]
    return Line(
        machine=past.machine.name,
        register=register,
        parts=len(past) - past.first,
        corrections=int(np.count_nonzero(past.entry_um[past.first :, column])),
        corrections_replayed=sum(entry.column == column and entry.acts is not None for entry in one.corrections),
        held=None if given is None else given.get((past.machine.name, register, "hold"), 0),
        held_replayed=said.count("hold"),
        stopped=None if given is None else given.get((past.machine.name, register, "stop"), 0),
        stopped_replayed=said.count("stop"),
        alarms=int(one.alarms[column]),
        **_spreads(_read(past, past.read_um, features), _read(past, one.read_um, features)),
    )


def _spreads(real: _Read, replayed: _Read) -> dict[str, float]:
    return {
        "rms_um": real.rms_um,
        "rms_um_replayed": replayed.rms_um,
        "p95_um": real.p95_um,
        "p95_um_replayed": replayed.p95_um,
        "outside": real.outside,
        "outside_replayed": replayed.outside,
        "room_um": real.least_um,
        "room_um_replayed": replayed.least_um,
    }


def _all(machine: str, own: Sequence[Replayed], found: Sequence[Line]) -> Line:
    lengths = [np.array([feature.unit == "mm" for feature in one.past.group.features]) for one in own]
    real = _together([_read(one.past, one.past.read_um, some) for one, some in zip(own, lengths, strict=True)])
    replayed = _together([_read(one.past, one.read_um, some) for one, some in zip(own, lengths, strict=True)])
    asked = all(line.held is not None for line in found)
    return Line(
        machine=machine,
        register="all",
        parts=max(line.parts for line in found),
        corrections=sum(line.corrections for line in found),
        corrections_replayed=sum(line.corrections_replayed for line in found),
        held=sum(line.held or 0 for line in found) if asked else None,
        held_replayed=sum(line.held_replayed for line in found),
        stopped=sum(line.stopped or 0 for line in found) if asked else None,
        stopped_replayed=sum(line.stopped_replayed for line in found),
        alarms=sum(line.alarms for line in found),
        **_spreads(real, replayed),
    )


def _together(some: Sequence[_Read]) -> _Read:
    return _Read(np.concatenate([one.off_um for one in some]), np.concatenate([one.room_um for one in some]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """One correction, really made, replayed, or both; mm (deg) as text, None where there was none."""

    machine: str
    register: str
    part: str  # the part it was decided on
    at_us: int
    unit: str
    real: str | None
    replayed: str | None

    @property
    def is_same(self) -> bool:
        return self.real == self.replayed


def turns(some: Sequence[Replayed], real: Sequence[dict[str, Any]]) -> list[Turn]:
    """All corrections in the order of their parts; `real` as `feedback.ledger.past.corrections` gives them."""
    found: dict[tuple[str, str, int], dict[str, Any]] = {}
    for one in some:
        past = one.past
        names = [str(register) for register in past.group.registers]
        row_of = {int(part_id): row for row, part_id in enumerate(past.part_id)}
        for made in real:
            row = row_of.get(made["part_id"], -1)
            if made["machine"] == past.machine.name and made["register"] in names and row >= past.first:
                _note(found, past, names.index(made["register"]), row)["real"] = made["change"]
        for entry in one.corrections:
            if entry.acts is not None:
                _note(found, past, entry.column, entry.decided)["replayed"] = f"{entry.change:f}"
    return sorted((Turn(**facts) for facts in found.values()), key=lambda turn: (turn.at_us, turn.register))


def _note(found: dict[tuple[str, str, int], dict[str, Any]], past: GroupPast, column: int, row: int) -> dict[str, Any]:
    register = past.group.registers[column]
    facts = {
        "machine": past.machine.name,
        "register": str(register),
        "part": past.part[row],
        "at_us": int(past.at_us[row]),
        "unit": register.unit,
        "real": None,
        "replayed": None,
    }
    return found.setdefault((past.machine.name, str(register), row), facts)
