"""What a coupling group looks like to the trend, and which states its model has."""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from feedback.configuration.facts import Group
from feedback.registers import RegisterKind
from feedback.trend.statespace import Array, Flags
from feedback.units import Unit

MODEL = 2  # grows when the states mean something else: memories kept under another model are not taken up
ROUNDING = 1e-9  # a feature of which the registers take away all but this share has nothing of its own


@dataclass(frozen=True)
class GroupShape:
    """R registers and F features; `sensitivity` is F x R. Names are only for messages.

    The last `setters` features are readings of the tool setter: they move with one register each, have an offset that
    every new tool begins anew, and count as no part.
    """

    register_kinds: tuple[RegisterKind, ...]
    sensitivity: tuple[tuple[float, ...], ...]
    register_names: tuple[str, ...] = ()
    feature_names: tuple[str, ...] = ()
    feature_units: tuple[Unit, ...] = ()
    setters: int = 0

    @property
    def of_parts(self) -> int:
        """How many features are of parts."""
        return len(self.sensitivity) - self.setters

    def register_name(self, register: int) -> str:
        return self.register_names[register] if self.register_names else f"register {register + 1}"

    def feature_name(self, feature: int) -> str:
        return self.feature_names[feature] if self.feature_names else f"feature {feature + 1}"

    def size(self, feature: int, value: float) -> str:
        """A reading's size in words: "35.1 um" or, for an angle kept in millidegrees, "0.0351 deg"."""
        is_angle = bool(self.feature_units) and self.feature_units[feature] == "deg"
        return f"{value / 1000:.4f} deg" if is_angle else f"{value:.1f} um"


def shape_of(group: Group) -> GroupShape:
    """The shape of `group`, registers and features in its own order."""
    several_plans = len({feature.plan for feature in group.features}) > 1
    return GroupShape(
        register_kinds=tuple(register.kind for register in group.registers),
        sensitivity=tuple(
            tuple(float(feature.moves.get(register, 0)) for register in group.registers) for feature in group.features
        ),
        register_names=tuple(str(register) for register in group.registers),
        feature_names=tuple(f"feature {feature.key if several_plans else feature.id}" for feature in group.features),
        feature_units=tuple(feature.unit for feature in group.features),
    )


@dataclass(frozen=True, slots=True)
class Row:
    """One part as one group sees it: micrometres (millidegrees), deviations from the centre of the tolerance.

    A tool wears with every part it cuts, also with the `passed` ones since the row before that gave no reading.
    """

    part: str
    readings: tuple[float, ...]  # F; nan: missing or doubted
    moved: tuple[float, ...]  # R; known change of the register since the part before; of a new tool: its expected error
    fresh: tuple[bool, ...]  # R; a new tool or edge stands there since the part before
    edge_var: tuple[float, ...] = ()  # R; of a new tool's expected error, beside the variance of any; (): none is known
    passed: int = 0


@dataclass(frozen=True)
class States:
    """The K states of a group: a level per register, a slope per tool register, an own offset where one can show.

    Own offsets (form, deflection) are what no setting of the registers takes away; what one does take away is the
    registers' error, whatever its cause. So a feature that alone tells a register has no own offset. A tool setter
    measures the whole tool: its reading always has one, which stands last.
    """

    shape: GroupShape
    sensitivity: Array = field(init=False)  # F x R

    def __post_init__(self) -> None:
        shape = self.shape
        table = np.array(shape.sensitivity, dtype=np.float64).reshape(len(shape.sensitivity), len(shape.register_kinds))
        object.__setattr__(self, "sensitivity", table)

    @property
    def registers(self) -> int:
        return int(self.sensitivity.shape[1])

    @property
    def features(self) -> int:
        return int(self.sensitivity.shape[0])

    @cached_property
    def moves(self) -> Flags:
        """F x R: the register moves the feature."""
        moves: Flags = self.sensitivity != 0
        return moves

    @cached_property
    def told(self) -> Flags:
        """F x R: a part with a reading of the feature tells about the register; the tool setter's tells of no part."""
        told: Flags = self.moves.copy()
        told[self.shape.of_parts :] = False
        return told

    def moving(self, features: Flags | list[int]) -> Flags:
        """R: the register moves at least one of `features`."""
        registers: Flags = np.any(self.moves[features], axis=0)
        return registers

    @cached_property
    def slope(self) -> tuple[int | None, ...]:
        """Per register the index of its slope; a work offset has none."""
        at = iter(range(self.registers, self.registers + self.registers))
        return tuple(next(at) if kind == "tool" else None for kind in self.shape.register_kinds)

    @cached_property
    def own(self) -> tuple[int | None, ...]:
        """Per feature the index of its own offset, where it has one."""
        at = iter(range(self.registers + self._slopes, self.registers + self._slopes + self.features))
        return tuple(next(at) if share > ROUNDING else None for share in np.diag(self.left_over))

    @cached_property
    def left_over(self) -> Array:
        """F x F: projects readings on what no setting of the registers gives; to offsets of size 1 it is the prior."""
        of_parts = self.sensitivity[: self.shape.of_parts]
        left_over = np.eye(self.features)
        left_over[: len(of_parts), : len(of_parts)] -= of_parts @ np.linalg.pinv(of_parts)
        return left_over

    @cached_property
    def setter_own(self) -> tuple[int, ...]:
        """The indices of the tool setter's offsets."""
        return tuple(range(self.count - self.shape.setters, self.count))

    @cached_property
    def own_shares(self) -> Array:
        """K x K: `left_over` at the places of the own offsets, 0 elsewhere."""
        features = [feature for feature, index in enumerate(self.own) if index is not None]
        shares = np.zeros((self.count, self.count))
        places = [index for index in self.own if index is not None]
        shares[np.ix_(places, places)] = self.left_over[np.ix_(features, features)]
        shares[self.setter_own, :] = 0.0  # theirs is not form or deflection
        return shares

    @property
    def _slopes(self) -> int:
        return sum(index is not None for index in self.slope)

    @cached_property
    def count(self) -> int:
        """K."""
        return self.registers + self._slopes + sum(index is not None for index in self.own)

    @cached_property
    def design(self) -> Array:
        """F x K: what each state adds to each reading."""
        design = np.zeros((self.features, self.count))
        design[:, : self.registers] = self.sensitivity
        for feature, index in enumerate(self.own):
            if index is not None:
                design[feature, index] = 1.0
        return design

    @cached_property
    def transition(self) -> Array:
        """K x K: every level grows by its slope, everything else stays."""
        transition = np.eye(self.count)
        for register, index in enumerate(self.slope):
            if index is not None:
                transition[register, index] = 1.0
        return transition

    def belonging_to(self, registers: Flags) -> Flags:
        """K: levels, slopes and tool-setter offsets of the flagged registers."""
        flags = np.zeros(self.count, dtype=np.bool_)
        for register in np.flatnonzero(registers):
            flags[register] = True
            slope = self.slope[register]
            if slope is not None:
                flags[slope] = True
        for feature, index in enumerate(self.setter_own, start=self.shape.of_parts):
            flags[index] = bool((self.moves[feature] & registers).any())
        return flags
