"""Registers side by side: the columns a replay decides on, one lane for each register of each group. Pure.

Lanes of many groups and machines stand next to each other, the k-th row of each in the same line: they do not touch
one another, and a line is worked through at once.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from feedback.evidence import wear_sign
from feedback.follow import UM_PER_MM
from feedback.replay.arithmetic import bar_of
from feedback.replay.past import CAUSES, NOT_ASKED, Counts, Flags, Floats, GroupPast
from feedback.replay.proof import steps
from rules.limits import Limits

Whole = NDArray[Any]  # whole numbers, as narrow as they fit: these tables are sent to other processes
BLOCKS: Final = 20  # stretches of time that results are summed over


@dataclass(frozen=True, slots=True, kw_only=True)
class Lanes:
    """T rows of B lanes with up to J features each, and F features with up to R registers each."""

    names: tuple[str, ...]  # B, "M1 tool 5 radius"
    kinds: tuple[str, ...]
    keys: tuple[str, ...]  # F, "M1 7101/12"
    rows: Counts  # B
    first: Counts  # B, the first lane of its group
    # T x B
    error_um: Floats
    sd_um: Floats
    margin_um: Floats
    drift_um: Floats
    slope_sd_um: Floats
    parts: Whole
    bar: Whole
    now: Floats  # increments, as really held
    hand_um: Floats
    entry: Floats  # increments
    fresh: Flags
    due: Whole
    block: Whole  # BLOCKS where nothing is decided or summed
    void: Flags  # the part's readings came to be in doubt later: they were decided on, and count nowhere
    # T x B x J and T x B x W
    onward_um: Floats
    step_um: Floats
    step_sd_um: Floats
    step_parts: Whole
    # B, B x J
    wear_sign: Floats
    is_tool: Flags
    increment_mm: Floats
    half_um: Floats
    pull: Floats
    member: Counts  # B x J, the feature's column; -1: none
    # T x F
    read_um: Floats
    wild: Flags
    # F, F x R
    lower_um: Floats
    upper_um: Floats
    guard_um: Floats
    is_length: Flags
    mover: Counts  # F x R, the register's lane
    pulled: Floats  # F x R, S; 0: none
    lane_of: Counts  # F, one lane of the feature's group


def lanes_of(past: GroupPast, since_us: int, until_us: int, limits: Sequence[Limits] = ()) -> Lanes:
    """The lanes of one group; `since_us` and `until_us` bound the blocks.

    `limits` in force, one for each register, say where a check of the probe is required.
    """
    group, registers = past.group, range(len(past.group.registers))
    moved = [[f for f in range(len(group.features)) if past.sensitivity[f, r]] for r in registers]
    known = [_outlooks(past, r) for r in registers]
    proofs = [steps(past, r) for r in registers]
    widest, most = max(map(len, moved)), max(one.step_um.shape[1] for one in proofs)
    sign = np.array([wear_sign(group, register) for register in group.registers], dtype=np.float64)
    increment = np.array([float(past.machine.increment(register)) for register in group.registers])
    seen = past.forecast.prediction
    movers = [[r for r in registers if past.sensitivity[f, r]] for f in range(len(group.features))]
    return Lanes(
        names=tuple(f"{past.machine.name} {register}" for register in group.registers),
        kinds=tuple(register.kind for register in group.registers),
        keys=tuple(f"{past.machine.name} {feature.key}" for feature in group.features),
        rows=np.full(len(registers), len(past), dtype=np.int64),
        first=np.zeros(len(registers), dtype=np.int64),
        error_um=np.stack([one.error_um for one in known], axis=1),
        sd_um=np.stack([one.sd_um for one in known], axis=1),
        margin_um=np.stack([one.margin_um for one in known], axis=1),
        drift_um=seen.slope_um * sign,
        slope_sd_um=seen.slope_sd_um,
        parts=past.outlooks.parts.astype(np.int32),
        bar=_bars(past, limits or [Limits()] * len(registers)),
        now=past.value_mm / increment,
        hand_um=past.hand_um,
        entry=np.round(past.entry_um / UM_PER_MM / increment, 6),
        fresh=past.fresh,
        due=past.due_row.astype(np.int32),
        block=np.repeat(_blocks(past, since_us, until_us)[:, None], len(registers), axis=1),
        void=np.repeat(past.void[:, None], len(registers), axis=1),
        onward_um=np.stack([_padded(one.onward_um, widest) for one in known], axis=1),
        step_um=np.stack([_padded(one.step_um, most) for one in proofs], axis=1),
        step_sd_um=np.stack([_padded(one.sd_um, most, np.inf) for one in proofs], axis=1),
        step_parts=np.stack([_padded(one.parts.astype(np.int8), most, 0) for one in proofs], axis=1),
        wear_sign=sign,
        is_tool=np.array([register.kind == "tool" for register in group.registers]),
        increment_mm=increment,
        half_um=np.stack([_row((past.upper_um - past.lower_um)[m] / 2, widest) for m in moved]),
        pull=np.stack([_row(np.abs(past.sensitivity[m, r]), widest) for r, m in enumerate(moved)]),
        member=np.stack([_row(np.array(m, dtype=np.float64), widest, -1.0) for m in moved]).astype(np.int64),
        read_um=past.read_um,
        wild=past.uncounted,
        lower_um=past.lower_um,
        upper_um=past.upper_um,
        guard_um=past.guard_um,
        is_length=np.array([feature.unit == "mm" for feature in group.features]),
        mover=np.stack([_row(np.array(m, dtype=np.float64), len(registers), 0.0) for m in movers]).astype(np.int64),
        pulled=np.stack([_row(past.sensitivity[f, m], len(registers), 0.0) for f, m in enumerate(movers)]),
        lane_of=np.zeros(len(group.features), dtype=np.int64),
    )


def _row(values: Floats, width: int, fill: float = np.nan) -> Floats:
    return np.concatenate([values, np.full(width - len(values), fill)])


def _padded(table: NDArray[Any], width: int, fill: float = np.nan) -> NDArray[Any]:
    missing = np.full((len(table), width - table.shape[1]), fill, dtype=table.dtype)
    return np.concatenate([table, missing], axis=1)


def _blocks(past: GroupPast, since_us: int, until_us: int) -> Whole:
    share = (past.at_us - since_us) / max(1, until_us - since_us)
    block = np.clip(np.floor(share * BLOCKS), 0, BLOCKS - 1)
    return np.where(np.arange(len(past)) < past.first, BLOCKS, block).astype(np.int8)


def _bars(past: GroupPast, limits: Sequence[Limits]) -> Whole:
    """What the rules that no replayed limit touches say; they are asked where there is something to say."""
    bars = np.zeros(past.value_mm.shape, dtype=np.int8)
    required = [one.check_required for one in limits]
    unfit = np.stack([past.unfit(is_check_required=one) for one in required], axis=1)
    told = np.where(past.told > CAUSES.index("none"), past.told, NOT_ASKED)
    standing = np.stack([np.isnan(past.value_mm), unfit, past.apart, past.locked + 1, told - NOT_ASKED], axis=-1)
    has_news = past.outlooks.unsettled.copy()  # of the readings themselves, row by row
    has_news[list(past.doubts)] = True
    for column, is_required in enumerate(required):
        for rows in _alike(standing[:, column], has_news[:, column]):
            evidence = past.evidence(int(rows[0]), column, is_check_required=is_required)
            bars[rows, column] = bar_of(evidence, Limits())
    return bars


def _alike(standing: Counts, has_news: Flags) -> Iterator[Counts]:
    """Rows of which the rules say the same, where they say anything; a row with news of its own is by itself."""
    for row in np.flatnonzero(has_news):
        yield np.array([row])
    quiet = np.flatnonzero(~has_news & standing.any(axis=1))
    _, which = np.unique(standing[quiet], axis=0, return_inverse=True)
    for one in range(int(which.max(initial=-1)) + 1):
        yield quiet[which == one]


@dataclass(frozen=True, slots=True)
class _Known:
    error_um: Floats
    sd_um: Floats
    margin_um: Floats
    onward_um: Floats  # n x J


def _outlooks(past: GroupPast, column: int) -> _Known:
    """What `rules.outlook` says of one register, without any limit: the best step, its spread, the room it leaves."""
    moved = np.flatnonzero(past.sensitivity[:, column])
    seen = past.forecast.prediction
    own, own_sd = seen.own_um[:, moved, column], seen.own_sd_um[:, moved, column]
    pulls = past.sensitivity[moved, column]
    half = ((past.upper_um - past.lower_um) / 2)[moved]
    best = _compromises(-own / pulls, np.abs(pulls), half)
    rows = np.arange(len(past))
    sd = (own_sd[rows, best.rising] + own_sd[rows, best.falling]) / (
        np.abs(pulls)[best.rising] + np.abs(pulls)[best.falling]
    )
    is_known = np.isfinite(own).all(axis=1)
    error = np.where(is_known, -best.step_um, np.nan)
    sign = wear_sign(past.group, past.group.registers[column])
    onward = np.where(pulls > 0, -sign, sign) * (own - pulls * error[:, None])
    return _Known(error, np.where(is_known, sd, np.inf), np.where(is_known, best.margin_um, np.nan), onward)


@dataclass(frozen=True, slots=True)
class _Best:
    step_um: Floats
    margin_um: Floats
    rising: Counts
    falling: Counts


def _compromises(centre: Floats, gain: Floats, half: Floats) -> _Best:
    """`rules.compromise` for n rows of J features: the lowest crossing of a rising and a falling line."""
    rows, tightest = len(centre), int(np.argmin(half))
    margin = np.full(rows, half[tightest])
    rising, falling = np.full(rows, tightest), np.full(rows, tightest)
    for up in range(len(half)):
        for down in range(len(half)):
            if up == down:
                continue
            apart = gain[up] * gain[down] * (centre[:, up] - centre[:, down])
            crossing = (gain[down] * half[up] + gain[up] * half[down] - apart) / (gain[up] + gain[down])
            is_lower = (crossing < margin) & (centre[:, up] >= centre[:, down])
            margin = np.where(is_lower, crossing, margin)
            rising, falling = np.where(is_lower, up, rising), np.where(is_lower, down, falling)
    at = np.arange(rows)
    step = half[falling] - half[rising] + gain[rising] * centre[at, rising] + gain[falling] * centre[at, falling]
    return _Best(step / (gain[rising] + gain[falling]), margin, rising, falling)


def side_by_side(some: Sequence[Lanes]) -> Lanes:
    """All lanes in one table, padded to the longest, widest and most watched."""
    lanes, features = _starts([len(one.names) for one in some]), _starts([len(one.keys) for one in some])
    columns: dict[str, object] = {}
    for field in fields(Lanes):
        values = [getattr(one, field.name) for one in some]
        if field.name == "member":
            values = [np.where(value < 0, value, value + start) for value, start in zip(values, features, strict=True)]
        elif field.name in ("mover", "lane_of", "first"):
            values = [value + start for value, start in zip(values, lanes, strict=True)]
        columns[field.name] = _joined(field.name, values)
    return Lanes(**columns)  # type: ignore[arg-type]


def heads(some: Sequence[Lanes]) -> Lanes:
    """All lanes in one table without its rows: their names, features and what moves what."""
    return side_by_side([_without_rows(one) for one in some])


def _without_rows(one: Lanes) -> Lanes:
    known = {field.name: getattr(one, field.name) for field in fields(Lanes)}
    timed = {name: known[name][:0] for name in known if name in _TIMED}
    return Lanes(**{**known, **timed})


_TIMED: Final = (
    "error_um", "sd_um", "margin_um", "drift_um", "slope_sd_um", "parts", "bar", "now", "hand_um", "entry", "fresh",
    "due", "block", "void", "onward_um", "step_um", "step_sd_um", "step_parts", "read_um", "wild",
)  # fmt: skip
_FILL: Final[dict[str, float]] = {
    "error_um": np.nan, "now": np.nan, "sd_um": np.inf, "block": BLOCKS, "onward_um": np.nan, "step_um": np.nan,
    "step_sd_um": np.inf, "half_um": np.nan, "pull": np.nan, "read_um": np.nan, "member": -1,
}  # fmt: skip
_STANDING: Final = ("half_um", "pull", "member", "mover", "pulled")  # tables without an axis of time


def _starts(counts: Sequence[int]) -> list[int]:
    return [sum(counts[:k]) for k in range(len(counts))]


def _joined(name: str, values: Sequence[Any]) -> object:
    if isinstance(values[0], tuple):
        return tuple(one for value in values for one in value)
    if values[0].ndim == 1:
        return np.concatenate(values)
    axis = 0 if name in _STANDING else 1
    shape = [max(value.shape[k] for value in values) for k in range(values[0].ndim)]
    return np.concatenate([_grown(value, shape, axis, _FILL.get(name, 0)) for value in values], axis=axis)


def _grown(table: NDArray[Any], shape: Sequence[int], but: int, fill: float) -> NDArray[Any]:
    """`table` with room as in `shape` on every axis `but` one."""
    room = [(0, 0 if axis == but else size - table.shape[axis]) for axis, size in enumerate(shape)]
    return np.pad(table, room, constant_values=fill) if any(after for _, after in room) else table
