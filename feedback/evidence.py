"""Turns what is known after one part into the `Evidence` the rules look at. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from feedback.configuration.facts import Feature, Group, Machine
from feedback.follow import UM_PER_MM, Moment, Track
from feedback.registers import Register
from rules.evidence import Evidence, FeatureOutlook

if TYPE_CHECKING:
    from feedback.trend.tracker import Outlooks


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What people have said about one register: which proposal is under way, rejected, locked or released."""

    pending: str | None = None
    rejected: str | None = None
    locked: str | None = None
    growth_released: bool = False


@dataclass(frozen=True, slots=True)
class Forecast:
    """The trend's arrays for a run of parts as plain lists, so that rules never touch an array."""

    total_um: list[list[float]]  # [part][feature] expected deviation from the centre of the tolerance
    own_um: list[list[list[float]]]  # [part][feature][register]
    own_sd_um: list[list[list[float]]]
    slope_um: list[list[float]]  # [part][register]
    slope_sd_um: list[list[float]]
    parts: list[list[int]]
    jump_age: list[list[int]]  # parts since the last sudden change of the register, -1: none
    wild: list[list[bool]]
    unsettled: list[list[bool]]  # [part][register] the words in `moving` are about this register
    moving: Sequence[str | None]
    fit_failed: Sequence[str | None]


def forecast(outlooks: "Outlooks", lag: int) -> Forecast:
    """What the first part that a correction can reach is expected to read: `lag` more parts are cut before it."""
    prediction = outlooks.predict(1 + lag)
    return Forecast(
        total_um=prediction.total_um.tolist(),
        own_um=prediction.own_um.tolist(),
        own_sd_um=prediction.own_sd_um.tolist(),
        slope_um=prediction.slope_um.tolist(),
        slope_sd_um=prediction.slope_sd_um.tolist(),
        parts=outlooks.parts.tolist(),
        jump_age=outlooks.jump_age.tolist(),
        wild=outlooks.wild.tolist(),
        unsettled=outlooks.unsettled.tolist(),
        moving=outlooks.moving,
        fit_failed=outlooks.fit_failed,
    )


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


def _um(value: object) -> float:
    return float(value) * UM_PER_MM  # type: ignore[arg-type]


class Witness:
    """Gathers the evidence about one register of one group."""

    def __init__(self, group: Group, register: Register, machine: Machine) -> None:
        self.register = register
        self.name = str(register)
        self.position = group.registers.index(register)
        self.increment = machine.increment(register)
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
            )
            for index, feature in enumerate(group.features)
            if register in feature.moves
        ]

    @property
    def feature_keys(self) -> list[str]:
        return [place.key for place in self._places]

    def evidence(
        self,
        forecast: Forecast,
        k: int,
        moment: Moment,
        track: Track,
        standing: Standing,
        moved_um: Sequence[float] = (),
    ) -> Evidence:
        """The evidence after part `k` of `forecast`; `moved_um` are register changes seen since that part."""
        r = self.position
        return Evidence(
            register=self.name,
            kind=self.register.kind,
            part=moment.seen.part,
            features=tuple(
                self._outlook(place, forecast, k, moment.seen.deviations, moved_um) for place in self._places
            ),
            slope_um=forecast.slope_um[k][r],
            slope_sd_um=forecast.slope_sd_um[k][r],
            parts=forecast.parts[k][r],
            parts_since_change=track.parts_since_change,
            now=track.value,
            increment=self.increment,
            travel_um=track.travel_um,
            pending=standing.pending,
            rejected=standing.rejected,
            new_tool_recorded=track.new_tool,
            growth_released=standing.growth_released,
            locked=standing.locked,
            moving=forecast.moving[k] if forecast.unsettled[k][r] else None,
            fit_failed=forecast.fit_failed[k],
            doubt="; ".join(moment.seen.doubts) or None,
        )

    def _outlook(
        self, place: _Place, forecast: Forecast, k: int, deviations: Mapping[str, float], moved_um: Sequence[float]
    ) -> FeatureOutlook:
        target_um = (place.lower_um + place.upper_um) / 2
        shift_um = place.sensitivity * moved_um[self.position] if moved_um else 0.0
        return FeatureOutlook(
            id=place.id,
            name=place.name,
            sensitivity=place.sensitivity,
            before_um=target_um + forecast.total_um[k][place.index] + shift_um,
            own_um=forecast.own_um[k][place.index][self.position] + shift_um,
            sd_um=forecast.own_sd_um[k][place.index][self.position],
            lower_um=place.lower_um,
            upper_um=place.upper_um,
            last_um=deviations.get(place.key),
            last_was_wild=forecast.wild[k][place.index],
        )


def feature_evidence(feature: Feature, moment: Moment) -> Evidence:
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
    )
    return Evidence(
        register=f"feature {feature.key}",
        kind="tool",
        part=moment.seen.part,
        features=(outlook,),
        doubt="; ".join(moment.seen.doubts) or None,
    )
