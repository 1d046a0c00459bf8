"""What moved when readings moved suddenly: one register, a feature's own offset, or not to be told apart."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from feedback.trend.follow import Piece, Position, Sheet, follow
from feedback.trend.joint import WINDOW
from feedback.trend.memory import Memory
from feedback.trend.priors import Priors
from feedback.trend.shape import GroupShape, States
from feedback.trend.statespace import Array, Flags, Model
from feedback.trend.suspicion import Judgement, Suspect

CLEARLY = 3.0  # log-likelihood by which one explanation must beat the next: odds of 20 to 1
ROOM = 3.0  # a sudden change may have been this many times what the readings show


@dataclass(frozen=True, slots=True)
class Change:
    """A sudden change that began with part number `row` (from 0, the group's own count).

    `registers` jumped; `restarts` marks registers whose estimate rests on the parts since then only. `first_part_wrong`
    is set where there was one earlier part only: then that part is the odd one out and nothing jumped.
    """

    row: int
    registers: Flags
    restarts: Flags
    shock: Array  # K, extra variance
    first_part_wrong: tuple[int, tuple[int, ...]] | None = None  # remembered row and features to leave out of it

    @property
    def is_apart(self) -> bool:
        """Features moved against each other, or one of them alone: no register did it."""
        return self.first_part_wrong is None and not self.registers.any()

    def enter(self, memory: Memory) -> None:
        """Write the change into the remembered parts."""
        if self.first_part_wrong is not None:
            row, features = self.first_part_wrong
            memory.left_out[row, list(features)] = True
            memory.strange[row, list(features)] = True
        memory.sheet.shock[self.row - memory.first] += self.shock

    def words(self, shape: GroupShape, confirmed: Mapping[int, Suspect], jump_um: Array, newest: int) -> str:
        """What happened, for a person, up to part number `newest`."""
        features = " and ".join(
            f"{shape.feature_name(f)} read {shape.size(f, abs(s.off))}" for f, s in sorted(confirmed.items())
        )
        since = min(confirmed.values(), key=lambda suspect: suspect.row).part
        parts = "three" if newest - self.row == WINDOW - 1 else "two"
        seen = f"{features} away from what was expected on {parts} parts running, from part {since} on"
        return f"{seen}: {self._taken_as(shape, confirmed, jump_um)}"

    def _taken_as(self, shape: GroupShape, confirmed: Mapping[int, Suspect], jump_um: Array) -> str:
        if self.first_part_wrong is not None:
            return "the one part before it is not believed any more"
        if not self.registers.any():
            which = "that feature alone" if len(confirmed) == 1 else "these features against each other"
            return f"no register explains it, so it is counted as a change of {which}"
        first = min(confirmed)
        jumped = [int(register) for register in np.flatnonzero(self.registers)]
        moved = [f"{shape.register_name(register)} by {shape.size(first, jump_um[register])}" for register in jumped]
        words = " or ".join(moved) if len(moved) > 1 else moved[0]
        return f"taken as a sudden change of {words}; the estimate starts again from there"


def explained(
    states: States,
    priors: Priors,
    model: Model,
    memory: Memory,
    judgement: Judgement,
    confirmed: Mapping[int, Suspect],
) -> Change:
    """The change that explains best why `confirmed` features read far off on two parts, the last of them the newest."""
    row = min(suspect.row for suspect in confirmed.values())
    features = sorted(confirmed)
    candidates = states.moving(features)
    wrong = _first_part_wrong(states, memory, row, features, candidates)
    if wrong is not None:
        return Change(row, np.zeros_like(candidates), candidates, np.zeros(states.count), wrong)
    sizes = _Sizes(states, priors, judgement, confirmed)
    position = _position_before(states, priors, model, memory, row - memory.first)
    since = memory.believed()[row - memory.first :]
    alone = [_only(candidates.size, int(r)) for r in np.flatnonzero(candidates)]
    logliks = [_loglik(states, priors, model, position, since, sizes.of_registers(flags)) for flags in alone]
    best = int(np.argmax(logliks))
    own = sizes.of_own_offsets()
    if own.any() and _loglik(states, priors, model, position, since, own) > logliks[best] + CLEARLY:
        return Change(row, np.zeros_like(candidates), np.zeros_like(candidates), own)
    others = [loglik for k, loglik in enumerate(logliks) if k != best]
    jumped = alone[best] if not others or logliks[best] > max(others) + CLEARLY else candidates
    return Change(row, jumped, jumped, sizes.of_registers(jumped))


def _only(size: int, at: int) -> Flags:
    flags = np.zeros(size, dtype=np.bool_)
    flags[at] = True
    return flags


def _first_part_wrong(
    states: States, memory: Memory, row: int, features: list[int], candidates: Flags
) -> tuple[int, tuple[int, ...]] | None:
    """The remembered row that alone came before, if it is contradicted in everything it said about these registers.

    Two parts that agree outvote one: a first part hit by a chip must not poison a life.
    """
    read = ~np.isnan(memory.believed().readings[: row - memory.first])
    about = read & states.moves[:, candidates].any(axis=1)
    fresh = np.flatnonzero(memory.sheet.fresh[: len(read), candidates].any(axis=1))
    born = int(fresh[-1]) if fresh.size else (0 if memory.first == 0 else -1)
    if born < 0:
        return None
    earlier = np.flatnonzero(about[born:].any(axis=1)) + born
    if earlier.size != 1:
        return None
    said = np.flatnonzero(about[earlier[0]])
    return (int(earlier[0]), tuple(int(f) for f in said)) if set(said.tolist()) <= set(features) else None


@dataclass(frozen=True, slots=True)
class _Sizes:
    """How much extra variance each explanation gets: room for several times what was seen."""

    states: States
    priors: Priors
    judgement: Judgement
    confirmed: Mapping[int, Suspect]

    def _largest(self, feature: int) -> float:
        off = float(self.judgement.off[feature])  # nan where only earlier parts of those seen together have read it
        return ROOM * max(0.0 if math.isnan(off) else abs(off), abs(self.confirmed[feature].off))

    def of_registers(self, flags: Flags) -> Array:
        """A new edge wears at its own rate, so a tool's slope is open again too."""
        shock = np.zeros(self.states.count)
        for register in np.flatnonzero(flags):
            moved = [f for f in self.confirmed if self.states.moves[f, register]]
            shock[register] = max(self._largest(f) / abs(self.states.sensitivity[f, register]) for f in moved) ** 2
            slope = self.states.slope[register]
            if slope is not None:
                shock[slope] = self.priors.slope_um**2
        return shock

    def of_own_offsets(self) -> Array:
        shock = np.zeros(self.states.count)
        for feature in self.confirmed:
            index = self.states.own[feature]
            if index is not None:
                shock[index] = self._largest(feature) ** 2
        return shock


def _position_before(states: States, priors: Priors, model: Model, memory: Memory, row: int) -> Position:
    position = memory.start
    for piece in _pieces(states, priors, model, position, memory.believed()[:row]):
        position = piece.position(len(piece.known))
    return position


def _pieces(states: States, priors: Priors, model: Model, position: Position, sheet: Sheet) -> Iterator[Piece]:
    return follow(states, priors, model, position, sheet) if len(sheet) else iter(())


def _loglik(states: States, priors: Priors, model: Model, position: Position, sheet: Sheet, shock: Array) -> float:
    """Of the parts since the change, had it been `shock`."""
    shocks = sheet.shock.copy()
    shocks[0] += shock
    shaken = Sheet(sheet.parts, sheet.readings, sheet.moved, sheet.fresh, shocks)
    return float(sum(piece.run.loglik.sum() for piece in follow(states, priors, model, position, shaken)))
