"""Which causes a plan's features can tell apart, and which leave the same signature on all of them."""

from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Final

from feedback.configuration.facts import Feature, FeatureKind
from feedback.registers import Register

# With too large an effective stylus ball, inside sizes read large and outside sizes small, whatever the tool.
_INSIDE: Final[frozenset[FeatureKind]] = frozenset({"bore", "pocket", "drilled"})
_OUTSIDE: Final[frozenset[FeatureKind]] = frozenset({"boss", "web"})

Row = list[Fraction]


def sensitivity_matrix(features: Iterable[Feature], registers: Sequence[Register]) -> list[Row]:
    """One row for each feature, one column for each register."""
    return [[Fraction(feature.moves.get(register, 0)) for register in registers] for feature in features]


def rank(features: Iterable[Feature], registers: Sequence[Register]) -> int:
    """How many independent causes among `registers` the features can tell apart."""
    return len(_reduced(sensitivity_matrix(features, registers))[1])


def indistinct(features: Iterable[Feature], registers: Sequence[Register]) -> tuple[tuple[Register, ...], ...]:
    """Sets of registers of which some combination moves no feature at all, so that no reading can separate them."""
    rows, pivots = _reduced(sensitivity_matrix(features, registers))
    free = [column for column in range(len(registers)) if column not in pivots]
    return tuple(
        tuple(registers[other] for other in sorted({column, *_entangled(rows, pivots, column)})) for column in free
    )


def _entangled(rows: list[Row], pivots: list[int], column: int) -> list[int]:
    return [pivot for row, pivot in zip(rows, pivots, strict=False) if row[column] != 0]


def _reduced(rows: list[Row]) -> tuple[list[Row], list[int]]:
    """Reduced row echelon form by Gauss and Jordan, and the column of each row's leading one."""
    rows = [row[:] for row in rows]
    pivots: list[int] = []
    for column in range(len(rows[0]) if rows else 0):
        top = len(pivots)
        found = next((index for index in range(top, len(rows)) if rows[index][column] != 0), None)
        if found is None:
            continue
        rows[top], rows[found] = rows[found], rows[top]
        rows[top] = [value / rows[top][column] for value in rows[top]]
        for index, row in enumerate(rows):
            if index != top:
                rows[index] = [value - row[column] * lead for value, lead in zip(row, rows[top], strict=True)]
        pivots.append(column)
    return rows, pivots


def like_the_probe(features: Sequence[Feature], registers: Sequence[Register]) -> Register | None:
    """The one register whose wear looks exactly like a probe that reads all sizes wrong; None: sizes separate them."""
    probe = [Fraction(1 if f.kind in _INSIDE else -1 if f.kind in _OUTSIDE else 0) for f in features]
    if not any(probe):
        return None
    for register in registers:
        column = [Fraction(feature.moves.get(register, 0)) for feature in features]
        if len(_reduced([probe, column])[1]) == 1 and any(column):
            return register
    return None


def like_warm_up(registers: Sequence[Register]) -> Register | None:
    """The one tool whose length wear looks exactly like a machine growing in Z; None: other readings separate them."""
    along_z = [register for register in registers if register.axis in ("length", "Z")]
    return along_z[0] if len(along_z) == 1 and along_z[0].axis == "length" else None


def separating_feature(register: Register) -> str:
    """A feature that this register moves and nothing else in the usual plan does."""
    if register.kind == "rotary":
        return f"a datum line read as an angle about {register.axis} in {register.owner}"
    if register.kind == "work":
        return f"a datum position along {register.axis} in {register.owner}"
    made = {"radius": "a bore, boss, pocket or web cut by", "length": "a depth cut by", "x": "a diameter turned by"}
    return f"{made.get(register.axis, 'a feature moved only by')} {register.owner}"
