"""The only place where a correction gets its final size. Every wish passes here exactly once."""

from dataclasses import dataclass
from decimal import Context, Decimal, Inexact, InvalidOperation
from math import isfinite

from rules.limits import Limits
from rules.words import amount, signed

# Every binary float has an exact decimal of fewer digits than this, so nothing here is ever rounded silently.
# Trap: operators, even abs() and unary minus, round to the caller's context; use this one's methods.
_EXACT = Context(prec=2000, traps=[Inexact, InvalidOperation])
_ZERO = Decimal(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounded:
    """What the limits leave of a wish: `new` = `now` + `change`, exactly; `words` say what was done to it.

    `was_cut` says that a limit made it smaller; rounding to the register's grid is no cut.
    """

    now: Decimal
    change: Decimal
    new: Decimal
    was_cut: bool
    words: str

    @property
    def change_um(self) -> float:
        """The change in micrometres (millidegrees)."""
        return float(self.change) * 1000


def bound(
    now: Decimal, wish_um: float, travel_um: float, increment: Decimal, limits: Limits, kind: str = "tool"
) -> Bounded:
    """Shrink a wish to what step and travel leave, then to the register's grid, toward no change.

    Never larger than asked, never of the other sign, never past step or travel. A `now` that is not on the grid moves
    to a grid value on the way, or not at all. What is no finite number, or no grid, gives no change. `kind` only
    chooses the unit of the words.
    """
    if not (_all_finite(wish_um, travel_um, limits) and now.is_finite() and increment.is_finite() and increment > 0):
        return _none(now, "the register, the wish or a limit is not a proper number: no change")
    asked, room = Decimal(abs(wish_um)), _room(wish_um, travel_um, limits)
    size = min(asked, max(_ZERO, Decimal(limits.step_um)), room)
    new = _on_grid(now, size if wish_um > 0 else size.copy_negate(), increment)
    change = _EXACT.subtract(new, now)
    was_cut = size < asked
    words = _words(wish_um, change, size == room, travel_um, limits, kind) if was_cut else _whole(wish_um, change, kind)
    return Bounded(now=now, change=change, new=new, was_cut=was_cut, words=words)


def _all_finite(wish_um: float, travel_um: float, limits: Limits) -> bool:
    return all(isfinite(value) for value in (wish_um, travel_um, limits.step_um, limits.travel_um))


def _none(now: Decimal, words: str) -> Bounded:
    return Bounded(now=now, change=Decimal(0), new=now, was_cut=True, words=words)


def _room(wish_um: float, travel_um: float, limits: Limits) -> Decimal:
    """Travel left in the direction of the wish."""
    used = Decimal(travel_um if wish_um > 0 else -travel_um)
    return max(_ZERO, _EXACT.subtract(Decimal(limits.travel_um), used))


def _on_grid(now: Decimal, change_um: Decimal, increment: Decimal) -> Decimal:
    """The grid value nearest to now + change between the two, or `now` where there is none."""
    target = _EXACT.add(now, _EXACT.scaleb(change_um, -3))
    new = _EXACT.multiply(int(_EXACT.divide_int(target, increment)), increment)  # the grid value toward zero
    if change_um > 0:
        new = new if new <= target else _EXACT.subtract(new, increment)
        return max(new, now)
    new = new if new >= target else _EXACT.add(new, increment)
    return min(new, now)


def _whole(wish_um: float, change: Decimal, kind: str) -> str:
    if change == 0:
        return f"{signed(wish_um, kind)} asked, less than the register can be moved by"
    return f"{signed(wish_um, kind)} asked, {signed(float(change) * 1000, kind)} on the register's grid"


def _words(wish_um: float, change: Decimal, by_travel: bool, travel_um: float, limits: Limits, kind: str) -> str:
    cut = f"{signed(wish_um, kind)} asked, cut to {signed(float(change) * 1000, kind)} by the"
    if by_travel:
        return f"{cut} travel limit {amount(limits.travel_um, kind)} ({signed(travel_um, kind)} used)"
    return f"{cut} step limit {amount(limits.step_um, kind)}"
