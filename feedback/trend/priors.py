"""What is believed about a group before its first part, and the parameters that the fit may change."""

import math
from dataclasses import dataclass

from feedback.configuration.facts import Group, Machine
from feedback.registers import RegisterKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """Micrometres (millidegrees) and parts. A `factor` is one standard deviation of the log-normal prior, as a factor.

    All values are common practice unless a source stands beside them.
    """

    noise_um: float = 2.0  # probe repeatability 0.5 to 2 um, with surface and clamping
    noise_factor: float = 2.0
    tool_walk_um: float = 0.3  # per part: wear is not perfectly even
    work_walk_um: float = 0.5  # per part: clamping and warming move the zero a little more
    walk_factor: float = 2.5
    slope_walk_um: float = 0.02  # per part and part: the wear rate changes slowly once the edge has settled
    slope_walk_factor: float = 3.0
    first_level_um: float = 100.0  # a set-up nobody has measured yet
    new_tool_level_um: float = 20.0  # a new edge differs from the old one by 5 to 20 um
    slope_um: float = 1.0  # wear per part of a tool not seen yet
    own_offset_um: float = 5.0  # form and deflection of one feature against its neighbours
    setter_noise_um: float = 2.0  # repeatability of a tool setter
    setter_offset_um: float = 1000.0  # of a tool's first setter reading: nothing is known beforehand, it is the zero

    def walk_um(self, kind: RegisterKind) -> float:
        """Walk of the level of a register of this kind, per part."""
        return self.tool_walk_um if kind == "tool" else self.work_walk_um


SURFACE_UM = 1.5  # surface and clamping on top of the probe's own repeatability


def priors_for(group: Group, machine: Machine) -> Priors:  # noqa: ARG001  # by group: room for what plans may know
    """The priors of one group: noise from the machine's measured repeatability where the shop has it."""
    stated = {}
    if machine.repeatability_mm is not None:
        stated["noise_um"] = math.hypot(float(machine.repeatability_mm) * 1000, SURFACE_UM)
    if machine.setter_mm is not None:
        stated["setter_noise_um"] = float(machine.setter_mm) * 1000
    return Priors(**stated)


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameters:
    """Standard deviations in force, micrometres: of each feature's noise, each level's walk, and every slope's walk."""

    noise_um: tuple[float, ...]
    walk_um: tuple[float, ...]
    slope_walk_um: float


def prior_parameters(priors: Priors, kinds: tuple[RegisterKind, ...], features: int, setters: int = 0) -> Parameters:
    """The parameters before any fit; the last `setters` of the features are readings of the tool setter."""
    return Parameters(
        noise_um=(priors.noise_um,) * (features - setters) + (priors.setter_noise_um,) * setters,
        walk_um=tuple(priors.walk_um(kind) for kind in kinds),
        slope_walk_um=priors.slope_walk_um,
    )
