"""Which registers move a feature's reading, and by how much: the sign table of the trade.

`deviation = actual - nominal`; the sensitivity is the change of the reading for +1 in the register, radius-valued
(turned diameters: the tool's x register is diameter-valued). Angles move a rotary work offset, in degrees.
"""

from collections.abc import Mapping
from fractions import Fraction
from typing import Final

from feedback.configuration.facts import FeatureKind
from feedback.configuration.models import FeatureTable
from feedback.registers import Register, register, tool_register, work_register

Moves = dict[Register, Fraction]

# A bigger stored radius keeps the cutter off the wall: inside sizes get smaller on both sides, outside ones bigger.
# A bigger stored length keeps the tool higher, so a depth shrinks (and a floor rises).
_BY_TOOL: Final[Mapping[FeatureKind, tuple[str, int]]] = {
    "bore": ("radius", -2),
    "pocket": ("radius", -2),
    "boss": ("radius", +2),
    "web": ("radius", +2),
    "depth": ("length", -1),
    "diameter": ("x", +1),
}
INTERNAL: Final[frozenset[FeatureKind]] = frozenset({"bore", "pocket", "drilled", "diameter"})
EXTERNAL: Final[frozenset[FeatureKind]] = frozenset({"boss", "web", "diameter"})

_MEANT_FOR: Final[Mapping[str, frozenset[FeatureKind]]] = {
    "axis": frozenset({"pocket", "web", "wall", "floor", "depth", "position", "angle"}),
    "faces": frozenset({"wall"}),
    "side": frozenset({"diameter"}),
    "role": frozenset({"position", "angle"}),
    "work": frozenset({"position", "angle", "wall", "floor"}),
    "relative_to": frozenset({"position", "wall", "floor"}),
    "machined_in": frozenset({"position", "wall", "floor"}),
}
_LINEAR: Final = ("X", "Y", "Z")
_ROTARY: Final = ("A", "B", "C")

SAYS_NOTHING: Final = (
    "the feature is read in the same coordinate system that cut it, so cutting and probing share the error and the"
    ' reading says nothing about the work offset; state relative_to = "<datum feature>", or machined_in and another'
    ' probed_in, or give role = "datum" if it was there before cutting'
)


def is_inside(feature: FeatureTable) -> bool:
    """Whether a turned diameter is cut from inside: there a worn tool needs a bigger register, elsewhere a smaller one.

    A tolerance class says it by its letter; beside plain limits `side` must. Other kinds are told by their kind.
    """
    if feature.kind != "diameter":
        return feature.kind in INTERNAL
    by_class = feature.tolerance[0].isupper() if isinstance(feature.tolerance, str) else None
    stated = None if feature.side is None else feature.side == "inside"
    if by_class is None and stated is None:
        raise RefusedError(
            "side", 'is missing; wanted side = "outside" or side = "inside": wear goes the other way there'
        )
    if by_class is not None and stated is not None and by_class != stated:
        raise RefusedError("side", f"found {feature.side!r} beside tolerance {feature.tolerance!r}; they contradict")
    return bool(stated if by_class is None else by_class)


class RefusedError(ValueError):
    """The plan's words for a feature do not give sensitivities; `key` is the word at fault."""

    def __init__(self, key: str, message: str) -> None:
        super().__init__(message)
        self.key = key


def moves_of(feature: FeatureTable, probed_in: str, others: Mapping[str, FeatureTable]) -> Moves:
    """The sensitivity of the reading to each register that moves it; empty when none does.

    `others` are all features of the plan by id. Raises RefusedError where the plan contradicts itself or asks a reading
    for something it cannot say.
    """
    _refuse_idle_words(feature)
    if feature.moves is not None:
        return _stated_moves(feature, probed_in)
    if feature.kind == "wall":
        return _wall(feature, probed_in, others)
    if feature.kind == "floor":
        return _floor(feature, probed_in, others)
    if feature.kind == "position":
        return _position(feature, probed_in, others)
    if feature.kind == "angle":
        return _angle(feature, probed_in)
    if feature.kind == "drilled":  # drill, reamer, tap or form tool: its size is ground in
        return {}
    axis, ratio = _BY_TOOL[feature.kind]
    return {tool_register(_tool_of(feature), axis): Fraction(ratio)}


def _refuse_idle_words(feature: FeatureTable) -> None:
    """A word that means nothing for this kind is a misunderstanding somewhere: better said than ignored."""
    for key, kinds in _MEANT_FOR.items():
        if getattr(feature, key) is not None and feature.kind not in kinds:
            raise RefusedError(key, f"means nothing for a {feature.kind}; wanted only for {', '.join(sorted(kinds))}")


def _tool_of(feature: FeatureTable) -> int:
    if feature.tool is None:
        raise RefusedError("tool", f"is missing; wanted the number of the tool that finishes this {feature.kind}")
    return feature.tool


def _axis_of(feature: FeatureTable, axes: tuple[str, ...]) -> str:
    if feature.axis not in axes:
        found = "is missing" if feature.axis is None else f"found {feature.axis!r}"
        raise RefusedError("axis", f"{found}; wanted the axis of this {feature.kind}: {', '.join(axes)}")
    return feature.axis


def _wall(feature: FeatureTable, probed_in: str, others: Mapping[str, FeatureTable]) -> Moves:
    axis = _axis_of(feature, _LINEAR)
    if feature.faces is None:
        raise RefusedError("faces", 'is missing; wanted the side where the air is: faces = "+" or faces = "-"')
    radius = {tool_register(_tool_of(feature), "radius"): Fraction(1 if feature.faces == "+" else -1)}
    return radius | _moved_origin(feature, axis, probed_in, others)


def _floor(feature: FeatureTable, probed_in: str, others: Mapping[str, FeatureTable]) -> Moves:
    if feature.axis not in (None, "Z"):
        raise RefusedError("axis", f"found {feature.axis!r}; wanted Z, along which a tool's length acts")
    length = {tool_register(_tool_of(feature), "length"): Fraction(1)}
    return length | _moved_origin(feature, "Z", probed_in, others)


def _moved_origin(feature: FeatureTable, axis: str, probed_in: str, others: Mapping[str, FeatureTable]) -> Moves:
    """A wall or floor tells about the work offset that cut it only against a datum, or read in another system."""
    is_read_where_cut = feature.relative_to is None and feature.machined_in is None
    if is_read_where_cut and feature.work in (None, probed_in):
        return {}
    return {work_register(_cutting_system(feature, axis, probed_in, others), axis): Fraction(1)}


def _position(feature: FeatureTable, probed_in: str, others: Mapping[str, FeatureTable]) -> Moves:
    axis = _axis_of(feature, _LINEAR)
    if feature.role == "datum":
        return _datum(feature, axis, probed_in)
    if feature.role == "machined":
        return {work_register(_cutting_system(feature, axis, probed_in, others), axis): Fraction(1)}
    raise RefusedError("role", 'is missing; wanted role = "datum" (was there before cutting) or role = "machined"')


def _angle(feature: FeatureTable, probed_in: str) -> Moves:
    axis = _axis_of(feature, _ROTARY)
    if feature.role == "machined":
        raise RefusedError("role", "found 'machined'; wanted a datum line: only that tells about a rotary work offset")
    return _datum(feature, axis, probed_in)


def _datum(feature: FeatureTable, axis: str, probed_in: str) -> Moves:
    """The origin moves towards the datum, so the reading shrinks."""
    for key in ("relative_to", "machined_in"):
        if getattr(feature, key) is not None:
            raise RefusedError(key, 'means nothing for a datum; wanted it only with role = "machined"')
    if feature.work not in (None, probed_in):
        raise RefusedError(
            "work",
            f"found {feature.work!r}, but this plan is probed in {probed_in!r}: the reading does not move with another"
            f' work offset; wanted work = "{probed_in}"',
        )
    return {work_register(probed_in, axis): Fraction(-1)}


def _cutting_system(feature: FeatureTable, axis: str, probed_in: str, others: Mapping[str, FeatureTable]) -> str:
    """The coordinate system that cut the feature, provided that the reading can tell about it."""
    if feature.relative_to is not None and feature.machined_in is not None:
        raise RefusedError("machined_in", "is given together with relative_to; wanted one of the two")
    if feature.relative_to is not None:
        _refuse_no_datum(feature.relative_to, axis, others)
        if feature.work is None:
            raise RefusedError("work", 'is missing; wanted the coordinate system that cut it, such as work = "54"')
        return feature.work
    if feature.work is not None and feature.machined_in not in (None, feature.work):
        raise RefusedError(
            "work", f"found {feature.work!r} beside machined_in = {feature.machined_in!r}; wanted one of the two"
        )
    if feature.machined_in is None and feature.work not in (None, probed_in):
        raise RefusedError(
            "work", f'found {feature.work!r} alone; wanted machined_in = "{feature.work}" if that system cut it'
        )
    system = feature.machined_in or probed_in
    if system == probed_in:
        raise RefusedError("role", SAYS_NOTHING)
    return system


def _refuse_no_datum(datum: str, axis: str, others: Mapping[str, FeatureTable]) -> None:
    found = others.get(datum)
    if found is None or found.kind != "position" or found.role != "datum" or found.axis != axis:
        known = [other.id for other in others.values() if other.role == "datum" and other.axis == axis]
        raise RefusedError(
            "relative_to",
            f"found {datum!r}; wanted the id of a datum position along {axis} in this plan"
            f" ({'there are: ' + ', '.join(known) if known else 'there is none yet'})",
        )


def _stated_moves(feature: FeatureTable, probed_in: str) -> Moves:
    stated = feature.moves or {}
    if feature.kind == "drilled" and stated:
        raise RefusedError(
            "moves", "a drilled, reamed, tapped or formed size is moved by no register; wanted none, or another kind"
        )
    moves = {_named(name): Fraction(ratio) for name, ratio in stated.items()}
    if len(moves) < len(stated):
        raise RefusedError("moves", f"found {', '.join(stated)}; wanted each register once")
    for moved in moves:
        _refuse_wrong_move(feature, moved, probed_in)
    return moves


def _named(name: str) -> Register:
    try:
        return register(name)
    except ValueError as error:
        raise RefusedError("moves", str(error)) from None


def _refuse_wrong_move(feature: FeatureTable, moved: Register, probed_in: str) -> None:
    if (moved.unit == "deg") != (feature.kind == "angle"):
        raise RefusedError(
            "moves", f"found {moved}, which is in {moved.unit}; wanted a register in the unit of this {feature.kind}"
        )
    is_cut = feature.role == "machined" or feature.kind in ("wall", "floor")
    is_read_where_cut = feature.relative_to is None and feature.machined_in in (None, probed_in)
    if is_cut and is_read_where_cut and moved == work_register(probed_in, moved.axis):
        raise RefusedError("moves", SAYS_NOTHING)
