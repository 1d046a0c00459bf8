"""Everything that happens to a machine's readings apart from its registers, for many parts at once. Micrometres.

Each kind of chance has a generator of its own, drawn from part by part, so that more parts or one more chip change
nothing in what was drawn before.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from feedback.simulate.happenings import (
    Chip,
    FasterWear,
    Happening,
    Missed,
    NewEdge,
    PartMoved,
    Pause,
    ProbeDrift,
    ProbeStep,
    Reprogrammed,
    ToolBroken,
    WrongUnit,
)
from feedback.simulate.physics import influences, made_matrix, metal_sign, read_matrix
from feedback.simulate.scenario import Setup
from feedback.simulate.wear import NO_WEAR, Cutter

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Share = Literal["wear", "new-edge", "tool-broken", "part-moved", "warm-up", "probe", "part-warm"]

BALL: Final = -2  # its column, see physics.influences
_CHANCES: Final = (
    "noise",
    "rate",
    "walk",
    "edges",
    "chips",
    "chip sizes",
    "misses",
    "temperature",
    "ring",
    "deeds",
    "setter",
)


def chance(setup: Setup, seed: int, what: str, number: int = 0) -> np.random.Generator:
    """The generator of one kind of chance on one machine."""
    return np.random.default_rng([seed, crc32(setup.name.encode()), _CHANCES.index(what), number])


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbance:
    """What befalls `parts` parts. Rows are parts, columns the features of the setup.

    `made_um` is each feature's own deviation at 20 degC and `read_um` its reading, both with the registers as set up;
    `is_due` says what is probed, `is_read` what gave a reading. `stands` are the physical states by cause, in the
    columns of `physics.influences`. `setter_um` is what the tool setter finds of each tool, radius and length, beside
    the set-up geometry. `happenings` are in the order of their parts, with the edges changed by schedule.
    """

    made_um: Floats
    read_um: Floats
    noise_um: Floats
    is_due: Flags
    is_read: Flags
    is_other_unit: Flags
    stands: Mapping[Share, Floats]
    temperature_c: Floats | None
    ring_noise: Floats
    setter_um: Floats
    minutes: Floats
    plans: NDArray[np.int64]
    happenings: tuple[Happening, ...]

    def __len__(self) -> int:
        return len(self.made_um)

    @property
    def ball_um(self) -> Floats:
        """How much too big the stored ball radius is at each part."""
        return sum((stand[:, BALL] for stand in self.stands.values()), np.zeros(len(self)))


@lru_cache(maxsize=64)
def _matrices(setup: Setup) -> tuple[Floats, Floats, Floats]:
    words = influences(setup)
    return made_matrix(setup, words), read_matrix(setup, words), metal_sign(setup)


def disturb(setup: Setup, parts: int, seed: int, more: Sequence[Happening] = ()) -> Disturbance:
    """What befalls the first `parts` parts of this machine; `more` happens beside what the setup says."""
    edges = _scheduled_edges(setup, parts, seed)
    happenings = tuple(sorted((*setup.happenings, *more, *edges), key=lambda happening: happening.part))
    minutes = _minutes(setup, parts, happenings)
    temperature = None if setup.warmth is None else setup.warmth.at_c(minutes, chance(setup, seed, "temperature"))
    stands = _stands(setup, parts, seed, happenings, minutes, temperature)
    made, read, metal = _matrices(setup)
    stand = np.sum(list(stands.values()), axis=0)
    offset = np.array([cut.offset_um for _, cut in setup.features]) + _reprogrammed(setup, parts, happenings)
    noise = chance(setup, seed, "noise").standard_normal((parts, len(metal)))
    noise *= np.array([cut.sd_um for _, cut in setup.features])
    plans = np.arange(parts) // setup.batch % len(setup.plans)
    is_due = _due(setup, plans)
    return Disturbance(
        made_um=stand @ made + offset,
        read_um=stand @ read + offset + noise + _wild(setup, parts, seed, happenings, metal),
        noise_um=noise,
        is_due=is_due,
        is_read=is_due & ~_missed(setup, parts, seed, happenings),
        is_other_unit=_other_unit(parts, happenings),
        stands=stands,
        temperature_c=temperature,
        ring_noise=chance(setup, seed, "ring").standard_normal(parts),
        setter_um=_on_setter(setup, parts, seed, stand),
        minutes=minutes,
        plans=plans,
        happenings=happenings,
    )


def _on_setter(setup: Setup, parts: int, seed: int, stand: Floats) -> Floats:
    """(parts, tools x 2): what is left of each tool, the setter's own drift and scatter."""
    words = influences(setup)
    columns = [words.index(f"tool {tool} {axis} lost") for tool in setup.tools for axis in ("radius", "length")]
    if setup.setter is None:
        return np.zeros((parts, len(columns)))
    scatter = setup.setter.sd_um * chance(setup, seed, "setter").standard_normal((parts, len(columns)))
    drift: Floats = setup.setter.drift_um * np.arange(parts, dtype=np.float64)
    found: Floats = scatter + drift[:, None] - stand[:, columns]
    return found


def _scheduled_edges(setup: Setup, parts: int, seed: int) -> Iterator[NewEdge]:
    for cutter in setup.cutters:
        if cutter.changed_every is not None:
            first = max(1, cutter.changed_every - cutter.age)
            rng = chance(setup, seed, "edges", cutter.number)
            for part in range(first, parts, cutter.changed_every):
                yield _edge(cutter, part, rng)


def _edge(cutter: Cutter, part: int, rng: np.random.Generator) -> NewEdge:
    radius, length = rng.uniform(*cutter.edge_um, 2) * rng.choice([-1, 1], 2)
    is_recorded = bool(rng.random() < cutter.recorded_share)
    return NewEdge(
        part=part, tool=cutter.number, radius_um=float(radius), length_um=float(length), is_recorded=is_recorded
    )


def _minutes(setup: Setup, parts: int, happenings: Sequence[Happening]) -> Floats:
    """When each part is probed, from the start."""
    minutes = setup.minutes * np.arange(parts, dtype=np.float64)
    for part, hours in _pauses(happenings).items():
        minutes[part:] += 60 * hours
    return minutes


def _stands(
    setup: Setup,
    parts: int,
    seed: int,
    happenings: Sequence[Happening],
    minutes: Floats,
    temperature: Floats | None,
) -> dict[Share, Floats]:
    column = {word: index for index, word in enumerate(influences(setup))}
    stands: defaultdict[Share, Floats] = defaultdict(lambda: np.zeros((parts, len(column))))
    stands["wear"] = np.zeros((parts, len(column)))
    for cutter in setup.cutters:
        for axis, lost in _worn(setup, cutter, parts, seed, happenings):
            stands["wear"][:, column[f"{cutter.name} {axis} lost"]] = lost
    for share, word, part, until, um in _steps(happenings, parts):
        stands[share][part:until, column[word]] += um
    for share, word, part, until, um in _ramps(happenings, parts):
        stands[share][part:until, column[word]] += um * np.arange(1, 1 + max(0, until - part))
    if setup.growth is not None:
        grown = setup.growth.share(minutes, _pauses(happenings))
        stands["warm-up"][:, column["head Z"]] = -setup.growth.z_um * grown
        stands["warm-up"][:, column["head Y"]] = setup.growth.y_um * grown
    if temperature is not None:
        stands["part-warm"][:, column["warmth"]] = temperature - 20.0
    return dict(stands)


def _pauses(happenings: Sequence[Happening]) -> Mapping[int, float]:
    """The hours the machine stood before a part."""
    hours: defaultdict[int, float] = defaultdict(float)
    for one in happenings:
        if isinstance(one, Pause):
            hours[one.part] += one.hours
    return hours


def _changes(happenings: Sequence[Happening], tool: int) -> list[int]:
    """The parts at which a new edge of this tool cuts first, the first edge's 0 among them."""
    return sorted({0, *(one.part for one in happenings if isinstance(one, NewEdge) and one.tool == tool)})


def _worn(
    setup: Setup, cutter: Cutter, parts: int, seed: int, happenings: Sequence[Happening]
) -> Iterator[tuple[str, Floats]]:
    """What use has taken off the edge that cuts each part."""
    if cutter.radius == NO_WEAR and cutter.length == NO_WEAR and not cutter.walk_um:
        return
    starts = np.array(_changes(happenings, cutter.number))
    edge = np.searchsorted(starts, np.arange(parts), side="right") - 1
    use = np.arange(parts, dtype=np.float64) - starts[edge]
    spread = chance(setup, seed, "rate", cutter.number).standard_normal(len(starts))
    rate = np.maximum(0.1, 1 + cutter.rate_spread * spread)[edge]
    steps = cutter.walk_um * chance(setup, seed, "walk", cutter.number).standard_normal((parts, 2))
    walk = np.cumsum(steps, axis=0)
    for index, axis in enumerate(("radius", "length")):
        has_walk = cutter.walk_um > 0 and (cutter.length if axis == "length" else cutter.radius) != NO_WEAR
        uneven = walk[:, index] - walk[np.minimum(starts, parts - 1), index][edge] if has_walk else 0.0
        yield axis, cutter.lost_um(axis, use, rate, edge == 0) + uneven


def _until_changed(happenings: Sequence[Happening], one: NewEdge | ToolBroken | FasterWear, parts: int) -> int:
    """The part at which the next edge of the same tool cuts first, or the end."""
    return min(parts, next((part for part in _changes(happenings, one.tool) if part > one.part), parts))


def _steps(happenings: Sequence[Happening], parts: int) -> Iterator[tuple[Share, str, int, int, float]]:
    """Whatever lasts: share, word, first part, end, micrometres (or mrad)."""
    for one in happenings:
        match one:
            case NewEdge() | ToolBroken():
                until = _until_changed(happenings, one, parts)
                sign: int = -1 if isinstance(one, NewEdge) else 1
                share: Share = "new-edge" if isinstance(one, NewEdge) else "tool-broken"
                yield share, f"tool {one.tool} radius lost", one.part, until, sign * one.radius_um
                yield share, f"tool {one.tool} length lost", one.part, until, sign * one.length_um
            case PartMoved():
                x, y = one.about_mm
                where = f"part {one.system}"
                yield "part-moved", f"{where} X", one.part, parts, one.x_um + one.turned_mrad * y
                yield "part-moved", f"{where} Y", one.part, parts, one.y_um - one.turned_mrad * x
                yield "part-moved", f"{where} Z", one.part, parts, one.z_um
                yield "part-moved", f"{where} turned", one.part, parts, one.turned_mrad
            case ProbeStep():
                yield "probe", "ball", one.part, parts, one.ball_um


def _ramps(happenings: Sequence[Happening], parts: int) -> Iterator[tuple[Share, str, int, int, float]]:
    """Whatever goes on growing: share, word, first part, end, micrometres a part."""
    for one in happenings:
        match one:
            case FasterWear():
                until = _until_changed(happenings, one, parts)
                yield "wear", f"tool {one.tool} radius lost", min(one.part, until), until, one.radius_um
                yield "wear", f"tool {one.tool} length lost", min(one.part, until), until, one.length_um
            case ProbeDrift():
                yield "probe", "ball", min(one.part, parts), parts, one.ball_um


def _reprogrammed(setup: Setup, parts: int, happenings: Sequence[Happening]) -> Floats:
    moved = np.zeros((parts, len(setup.keys)))
    for one in happenings:
        if isinstance(one, Reprogrammed):
            moved[one.part :, setup.column(one.feature)] += one.um
    return moved


def _wild(setup: Setup, parts: int, seed: int, happenings: Sequence[Happening], metal: Floats) -> Floats:
    """Chips: like more metal where the ball touches, or as a happening says."""
    wild = np.zeros((parts, len(metal)))
    if setup.chips:
        is_wild = chance(setup, seed, "chips").random(wild.shape) < setup.chips
        wild += is_wild * metal * chance(setup, seed, "chip sizes").uniform(*setup.chip_um, wild.shape)
    for chip in happenings:
        if isinstance(chip, Chip) and chip.part < parts:
            wild[chip.part, setup.column(chip.feature)] += chip.um
    return wild


def _missed(setup: Setup, parts: int, seed: int, happenings: Sequence[Happening]) -> Flags:
    missed = np.zeros((parts, len(setup.keys)), dtype=np.bool_)
    if setup.misses:
        missed |= chance(setup, seed, "misses").random(missed.shape) < setup.misses
    for miss in happenings:
        if isinstance(miss, Missed) and miss.part < parts:
            missed[miss.part, setup.column(miss.feature)] = True
    return missed


def _other_unit(parts: int, happenings: Sequence[Happening]) -> Flags:
    other = np.zeros(parts, dtype=np.bool_)
    for one in happenings:
        if isinstance(one, WrongUnit):
            other[one.part : one.part + one.parts] = True
    return other


def _due(setup: Setup, plans: NDArray[np.int64]) -> Flags:
    """A feature is probed on parts of its plan, and of those on each `every`-th."""
    due = np.zeros((len(plans), len(setup.keys)), dtype=np.bool_)
    place = {plan.part: index for index, plan in enumerate(setup.plans)}
    for column, (plan, cut) in enumerate(setup.features):
        is_cut = plans == place[plan.part]
        due[:, column] = is_cut & ((np.cumsum(is_cut) - 1) % cut.every == 0)
    return due
