"""Turns what is known after one part into the `Evidence` the rules look at. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from feedback.cause import PARTS_A_CHANGE_IS_NEWS, likely_cause
from feedback.common import Told
from feedback.configuration.facts import NO_GUARD, Feature, Group, Guard, Machine
from feedback.follow import UM_PER_MM, Moment, Track
from feedback.registers import Register
from rules.evidence import Cause, Evidence, FeatureOutlook

if TYPE_CHECKING:
    from feedback.trend.outlooks import Counts
    from feedback.trend.statespace import Array, Flags
    from feedback.trend.tracker import Outlooks

PAGE: Final = 64  # parts whose numbers are taken out of the arrays together: one by one costs more


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What people have said about one register: which proposal is under way, rejected, locked or released."""

    pending: str | None = None
    rejected: str | None = None
    locked: str | None = None
    broken: str | None = None  # why the tool counts as broken
    growth_released: bool = False
    unproven: str | None = None  # why the last change has not been seen to work yet
    unfit: str | None = None  # why the probe's readings may not be corrected by


@dataclass(frozen=True, slots=True)
class Glimpse:
    """What the trend expects after one part, as plain lists: rules never touch an array."""

    total_um: list[float]  # [feature] expected deviation from the centre of the tolerance
    own_um: list[list[float]]  # [feature][register]
    own_sd_um: list[list[float]]
    slope_um: list[float]  # [register]
    slope_sd_um: list[float]
    parts: list[int]
    jump_age: list[int]  # parts since the last sudden change of the register, -1: none
    apart_age: list[int]  # likewise since features of it moved apart
    wild: list[bool]  # [feature]
    unsettled: list[bool]  # [register] the words in `moving` are about it
    moving: str | None
    fit_failed: str | None


class Forecast:
    """What the first part that a correction can reach is expected to read: `lag` more parts are cut before it."""

    def __init__(self, outlooks: "Outlooks", lag: int) -> None:
        self.outlooks = outlooks
        self.prediction = outlooks.predict(1 + lag)
        self._page, self._lists = -1, dict[str, list[Any]]()

    def __len__(self) -> int:
        return len(self.outlooks)

    def after(self, k: int) -> Glimpse:
        """As seen after part `k` of the run."""
        page, row = divmod(k, PAGE)
        if page != self._page:
            rows = slice(page * PAGE, (page + 1) * PAGE)
            self._page, self._lists = page, {name: table[rows].tolist() for name, table in self._tables.items()}
        numbers = {name: table[row] for name, table in self._lists.items()}
        return Glimpse(**numbers, moving=self.outlooks.moving[k], fit_failed=self.outlooks.fit_failed[k])

    @property
    def _tables(self) -> "dict[str, Array | Counts | Flags]":
        """What a glimpse holds of every part."""
        seen, known = self.prediction, self.outlooks
        return {
            "total_um": seen.total_um,
            "own_um": seen.own_um,
            "own_sd_um": seen.own_sd_um,
            "slope_um": seen.slope_um,
            "slope_sd_um": seen.slope_sd_um,
            "parts": known.parts,
            "jump_age": known.jump_age,
            "apart_age": known.apart_age,
            "wild": known.wild,
            "unsettled": known.unsettled,
        }


@dataclass(frozen=True, slots=True)
class _Place:
    """What never changes about one feature of one register."""

    index: int
    id: str
    key: str
    name: str
    sensitivity: float
    lower_um: float
    upper_um: float
    guard: Guard

    @property
    def target_um(self) -> float:
        return (self.lower_um + self.upper_um) / 2


def _um(value: object) -> float:
    return float(value) * UM_PER_MM  # type: ignore[arg-type]


class Witness:
    """Gathers the evidence about one register of one group."""

    def __init__(self, group: Group, register: Register, machine: Machine) -> None:
        self.register = register
        self.name = str(register)
        self.position = group.registers.index(register)
        self.increment = machine.increment(register)
        self._wear_sign: Literal[1, -1] = wear_sign(group, register)
        plans = {feature.plan for feature in group.features}
        self._places = [
            _Place(
                index=index,
                id=feature.id if len(plans) == 1 else feature.key,
                key=feature.key,
                name=feature.name,
                sensitivity=float(feature.moves[register]),
                lower_um=_um(feature.lower),
                upper_um=_um(feature.upper),
                guard=group.guard(feature),
            )
            for index, feature in enumerate(group.features)
            if register in feature.moves
        ]

    @property
    def feature_keys(self) -> list[str]:
        return [place.key for place in self._places]

    def evidence(
        self,
        seen: Glimpse,
        moment: Moment,
        track: Track,
        standing: Standing,
        moved_um: Sequence[float] = (),
        told: Told | None = None,
    ) -> Evidence:
        """The evidence after one part.

        `moved_um` are register changes seen since that part; `told` is what all readings of the machine together say
        of this register, None where they have not been asked.
        """
        r = self.position
        shift_um = moved_um[r] if moved_um else 0.0
        deviations = moment.seen.deviations
        return Evidence(
            register=self.name,
            kind=self.register.kind,
            part=moment.seen.part,
            features=tuple([self._outlook(place, seen, deviations, shift_um) for place in self._places]),
            slope_um=seen.slope_um[r],
            slope_sd_um=seen.slope_sd_um[r],
            parts=seen.parts[r],
            parts_since_change=track.parts_since_change,
            unproven=standing.unproven,
            now=track.value,
            increment=self.increment,
            travel_um=track.travel_um,
            pending=standing.pending,
            rejected=standing.rejected,
            wear_sign=self._wear_sign,
            new_tool_recorded=track.new_tool,
            growth_released=standing.growth_released,
            broken=standing.broken,
            locked=standing.locked,
            moving=seen.moving if seen.unsettled[r] else None,
            moved_apart=0 <= seen.apart_age[r] < PARTS_A_CHANGE_IS_NEWS,
            fit_failed=seen.fit_failed,
            doubt=_doubt(moment, standing.unfit, self._apart(moment)),
            cause="unknown" if self.register in moment.apart else self._cause(seen, track, told),
            told=None if told is None else told.words or None,
        )

    def _apart(self, moment: Moment) -> str | None:
        """Why the tool setter's readings and the parts' do not go together."""
        if self.register not in moment.apart:
            return None
        return (
            f"the tool setter and the parts say different things about {self.name}:"
            " clean the tool setter, measure the tool again, and check both"
        )

    def _cause(self, seen: Glimpse, track: Track, told: Told | None) -> Cause:
        r = self.position
        if told is not None and told.cause != "none":
            return told.cause
        is_wild = seen.unsettled[r] and any(seen.wild[place.index] for place in self._places)
        return likely_cause(
            self.register.kind,
            track,
            jump_age=seen.jump_age[r],
            is_moving=is_wild and told is None,
            is_wearing=self._wear_sign * seen.slope_um[r] > 2 * seen.slope_sd_um[r] > 0,
        )

    def _outlook(
        self, place: _Place, seen: Glimpse, deviations: Mapping[str, float], moved_um: float
    ) -> FeatureOutlook:
        shift_um = place.sensitivity * moved_um
        return FeatureOutlook(
            id=place.id,
            name=place.name,
            sensitivity=place.sensitivity,
            before_um=place.target_um + seen.total_um[place.index] + shift_um,
            own_um=seen.own_um[place.index][self.position] + shift_um,
            sd_um=seen.own_sd_um[place.index][self.position],
            lower_um=place.lower_um,
            upper_um=place.upper_um,
            last_um=deviations.get(place.key),
            last_was_wild=seen.wild[place.index],
            u_um=place.guard.u_um,
            guard_um=place.guard.band_um,
        )


def feature_evidence(feature: Feature, moment: Moment, guard: Guard = NO_GUARD) -> Evidence:
    """The evidence about a feature that no register moves: only what was read."""
    last_um = moment.seen.deviations.get(feature.key)
    lower_um, upper_um = _um(feature.lower), _um(feature.upper)
    target_um = (lower_um + upper_um) / 2
    outlook = FeatureOutlook(
        id=feature.id,
        name=feature.name,
        sensitivity=0.0,
        before_um=target_um if last_um is None else last_um,
        own_um=0.0 if last_um is None else last_um - target_um,
        sd_um=0.0,
        lower_um=lower_um,
        upper_um=upper_um,
        last_um=last_um,
        u_um=guard.u_um,
        guard_um=guard.band_um,
    )
    return Evidence(
        register=f"feature {feature.key}",
        kind="tool",
        part=moment.seen.part,
        features=(outlook,),
        doubt=_doubt(moment),
    )


def _doubt(moment: Moment, *more: str | None) -> str | None:
    """Everything against this part's readings, each once."""
    said = dict.fromkeys((*moment.seen.doubts, *(words for words in more if words)))
    return "; ".join(said) or None


def wear_sign(group: Group, register: Register) -> Literal[1, -1]:
    """The sign of a register's error that wear gives.

    A worn cutter leaves material: the register has to go down (+1). Only a bore turned from inside gets smaller by wear
    while its register counts its diameter: there it has to go up (-1).
    """
    inside = [feature.is_inside for feature in group.features if register in feature.moves]
    return -1 if register.axis == "x" and inside and all(inside) else 1
