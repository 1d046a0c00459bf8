"""What an operator does with a proposal: mostly what it says, a little later; sometimes nothing, or something else."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from feedback.simulate.scenario import Operator, Setup

DeedKind = Literal["entered", "forgotten", "wrong-register", "typo"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """What became of one proposal: what was asked, and what was done. Values are radius-valued millimetres.

    `due` is the first part that is cut with it; `register` and `value_mm` are None when it was forgotten.
    """

    kind: DeedKind
    asked_at: int
    asked_register: str
    asked_mm: float
    due: int
    register: str | None
    value_mm: float | None


def deed(setup: Setup, operator: Operator, rng: np.random.Generator, part: int, register: str, value_mm: float) -> Deed:
    """What the operator does with the proposal to set `register` to `value_mm`, handed to him before part `part`.

    Draws the same number of times from `rng` whatever comes of it.
    """
    draw, choice = (float(value) for value in rng.random(2))
    kind = _kind(operator, draw)
    done: tuple[str | None, float | None] = (register, value_mm)
    if kind == "forgotten":
        done = (None, None)
    elif kind == "wrong-register":
        done = (_neighbour(setup, register, choice), value_mm)
    elif kind == "typo":
        done = (register, _mistyped(value_mm, choice, setup.step_um(register) / 1000))
    return Deed(
        kind=kind,
        asked_at=part,
        asked_register=register,
        asked_mm=value_mm,
        due=part + operator.accepts_after + setup.lag,
        register=done[0],
        value_mm=done[1],
    )


def _kind(operator: Operator, draw: float) -> DeedKind:
    """One draw between 0 and 1 falls into one of the shares, or beyond them."""
    edge = 0.0
    shares: tuple[tuple[DeedKind, float], ...] = (
        ("forgotten", operator.forgets),
        ("wrong-register", operator.wrong_register),
        ("typo", operator.mistypes),
    )
    for kind, share in shares:
        edge += share
        if draw < edge:
            return kind
    return "entered"


def _neighbour(setup: Setup, register: str, choice: float) -> str:
    """Another register on the same page: the tool's other column, another tool's row, or another axis."""
    page = register.split()[0]
    others = [name for name in setup.registers if name.startswith(page) and name != register]
    return others[int(choice * len(others))]


def _mistyped(value_mm: float, choice: float, step_mm: float) -> float:
    """A wrong sign, a slipped decimal point, or two digits changed over; the next key where that changes nothing."""
    if choice < 1 / 3:
        typed = -value_mm
    elif choice < 2 / 3:
        typed = value_mm * 10
    else:
        digits = f"{abs(value_mm):.3f}"
        typed = math.copysign(float(digits[:-2] + digits[-1] + digits[-2]), value_mm)
    return value_mm + step_mm if abs(typed - value_mm) < step_mm / 2 else typed
