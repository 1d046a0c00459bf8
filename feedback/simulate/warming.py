"""Warmth: machines that grow while they run, and parts that are not at 20 degC (ISO 1) when they are probed."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
REFERENCE_C = 20.0  # ISO 1:2016, clause 3


@dataclass(frozen=True, kw_only=True)
class Growth:
    """A machine's growth from cold: the head comes down by up to `z_um` and forward by `y_um`, first-order in time.

    5 to 40 um over one or two hours (common practice). `left_when_probing` is the share still there when the probe
    touches: with all of it, a reading in the machine's own coordinates cannot see the growth that cut the feature; only
    what is read from, or as, a datum can.
    """

    z_um: float
    y_um: float = 0.0
    hours: float = 0.75
    left_when_probing: float = 1.0
    from_part: int = 0

    def share(self, minutes: Floats, pauses: Mapping[int, float]) -> Floats:
        """The share of the full growth at each part.

        `minutes` since the cold start, running or not; `pauses` gives the hours the machine stood before a part.
        """
        share = np.zeros_like(minutes)
        if self.from_part >= len(minutes):
            return share
        at, began, grown = self.from_part, float(minutes[self.from_part]), 0.0
        stops = sorted((part, hours) for part, hours in pauses.items() if self.from_part < part < len(minutes))
        for part, hours in stops:
            share[at:part] = self._after(minutes[at:part] - began, grown)
            stopped = float(minutes[part]) - 60 * hours
            grown = float(self._after(np.array(stopped - began), grown)) * math.exp(-hours / self.hours)
            at, began = part, float(minutes[part])
        share[at:] = self._after(minutes[at:] - began, grown)
        return share

    def _after(self, minutes: Floats, grown: float) -> Floats:
        """The share after so many minutes of running, from the share `grown`."""
        return np.asarray(1 - (1 - grown) * np.exp(-minutes / (60 * self.hours)), dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class PartWarmth:
    """The part's temperature when probed: a mean, a daily swing, scatter; and a scale as warm as the part."""

    part_c: float = REFERENCE_C
    swing_c: float = 0.0
    sd_c: float = 0.0
    scale_cte_per_k: float = 0.0
    is_printed: bool = True

    def at_c(self, minutes: Floats, rng: np.random.Generator) -> Floats:
        """The temperature at each part, in degrees Celsius."""
        swing = self.swing_c * np.sin(2 * np.pi * minutes / (24 * 60))
        return np.asarray(self.part_c + swing + self.sd_c * rng.standard_normal(len(minutes)), dtype=np.float64)


def expansion_um(length_mm: float, cte_per_k: float, temperature_c: float, scale_cte_per_k: float = 0.0) -> float:
    """How much too long a length reads when part (and scale) are at `temperature_c` instead of 20 degC."""
    return length_mm * 1000 * (cte_per_k - scale_cte_per_k) * (temperature_c - REFERENCE_C)
