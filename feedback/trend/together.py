"""Readings of parts and of the tool setter in one estimate, as long as they agree.

Two filters run side by side: one sees the parts alone, one the setter too. Where both are right, the second is the
sharper, and the two differ by no more than the variance it has saved (Hausman, Econometrica 46 (1978) 1251-1271). A
setter that drifts by itself pulls them apart: then the parts alone count, and somebody has to look.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from feedback.trend.outlooks import Outlooks
from feedback.trend.priors import Priors
from feedback.trend.shape import GroupShape, Row, States
from feedback.trend.statespace import Array, Flags
from feedback.trend.tracker import Tracker
from feedback.units import Unit

AGREE_SD = 2.5  # further apart, the parts alone count: with both right, one part in eighty
APART_SD = 3.5  # further apart, it is said: with both right, about one part in two thousand (200 simulated series)
APART_PARTS = 20  # with fewer, the fits have not settled and the spread of the parts is hardly known
LEAST_SAVED = 0.25  # share of the variance: the two filters fit their noise each for itself


def with_setter(shape: GroupShape, on_setter: Sequence[int]) -> GroupShape:
    """`shape` with a reading of the tool setter behind its features for each of the registers `on_setter`."""
    registers = len(shape.register_kinds)
    rows = tuple(tuple(-1.0 if r == register else 0.0 for r in range(registers)) for register in on_setter)
    names = [f"the tool setter at {shape.register_name(register)}" for register in on_setter]
    features = [shape.feature_name(feature) for feature in range(len(shape.sensitivity))]
    mm: Unit = "mm"
    units = shape.feature_units or (mm,) * len(features)
    return replace(
        shape,
        sensitivity=shape.sensitivity + rows,
        feature_names=(*features, *names),
        feature_units=units + (mm,) * len(rows),
        setters=len(rows),
    )


@dataclass(frozen=True, slots=True)
class Known:
    """What is known after each part, and of which registers the setter and the parts say different things (n x R)."""

    outlooks: Outlooks
    apart: Flags


class Together:
    """A tracker of the parts and one of parts and setter. `snapshot()`, handed to the constructor, carries both on."""

    def __init__(
        self, shape: GroupShape, on_setter: Sequence[int], priors: Priors, snapshot: Mapping[str, Any] | None = None
    ) -> None:
        kept = snapshot or {"parts": None, "both": None}
        self._states = States(shape)
        self._parts = Tracker(shape, priors, kept["parts"])
        self._both = Tracker(with_setter(shape, on_setter), priors, kept["both"])

    def take(self, rows: Sequence[Row], setter_um: Sequence[tuple[float, ...]]) -> Known:
        """Count `rows` in; `setter_um` are the setter's readings for each of them, nan where there is none."""
        both = [replace(row, readings=row.readings + read) for row, read in zip(rows, setter_um, strict=True)]
        alone, fused = self._parts.take(rows), _of_parts(self._both.take(both), self._states)
        differ = _differ_sd(alone, fused)
        agree = ~np.any(differ > AGREE_SD, axis=1)
        apart = (differ > APART_SD) & (alone.parts >= APART_PARTS)
        return Known(_chosen(agree, fused, alone), apart | self._odd(alone, fused))

    def _odd(self, alone: Outlooks, fused: Outlooks) -> Flags:
        """n x R: only the setter's reading surprised."""
        surprised: Flags = np.any(fused.wild[:, :, None] & self._states.moves[None], axis=1)
        odd: Flags = fused.unsettled & ~alone.unsettled & ~surprised & ~fused.jumped
        return odd

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on later, as JSON-able values."""
        return {"parts": self._parts.snapshot(), "both": self._both.snapshot()}


def _of_parts(outlooks: Outlooks, states: States) -> Outlooks:
    """Without the setter's features and their offsets, which stand last."""
    count, features = states.count, states.features
    return replace(
        outlooks,
        states=states,
        mean=outlooks.mean[:, :count],
        cov=outlooks.cov[:, :count, :count],
        walk_var=outlooks.walk_var[:, :count],
        noise_var=outlooks.noise_var[:, :features],
        wild=outlooks.wild[:, :features],
    )


def _differ_sd(alone: Outlooks, fused: Outlooks) -> Array:
    """n x R: how far apart the two expect the next part's errors, in standard deviations of that difference."""
    one, other = alone.predict(1), fused.predict(1)
    saved = one.level_sd_um**2 - other.level_sd_um**2
    room = np.sqrt(np.maximum(saved, LEAST_SAVED * one.level_sd_um**2))
    return np.abs(one.level_um - other.level_um) / room


def _chosen(where: Any, first: Outlooks, second: Outlooks) -> Outlooks:
    """Part by part, `first` where it holds and else `second`."""
    if where.all():
        return first
    picked = np.where(where, np.arange(len(where)), np.arange(len(where)) + len(where))
    return _arranged([first, second], lambda table: table[picked])


def joined(pieces: Sequence[Outlooks]) -> Outlooks:
    """The outlooks of one run of parts after the other."""
    return pieces[0] if len(pieces) == 1 else _arranged(pieces, lambda table: table)


def _arranged(pieces: Sequence[Outlooks], arrange: Callable[[Any], Any]) -> Outlooks:
    """The parts of all pieces in the order that `arrange` gives them."""
    first = pieces[0]
    columns: dict[str, Any] = {}
    for field in fields(Outlooks):
        values = [getattr(piece, field.name) for piece in pieces]
        if isinstance(values[0], np.ndarray):
            columns[field.name] = arrange(np.concatenate(values))
        elif isinstance(values[0], list | tuple):
            table = np.empty(sum(map(len, values)), dtype=object)
            table[:] = [one for value in values for one in value]
            columns[field.name] = arrange(table).tolist()
    return replace(first, **columns)
