"""The only place where a correction gets its final size. Every wish passes here exactly once."""

from dataclasses import dataclass
from decimal import Context, Decimal, Inexact
from fractions import Fraction
from math import ceil, floor, isfinite

from rules.limits import Limits
from rules.words import amount, signed

_EXACT = Context(prec=60, traps=[Inexact])  # register arithmetic never rounds silently


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
    to a grid value on the way, or not at all. A wish or limit that is not a finite number gives no change. `kind`
    only chooses the unit of the words.
    """
    if not (isfinite(wish_um) and isfinite(travel_um) and isfinite(limits.step_um) and isfinite(limits.travel_um)):
        return _none(now, "the wish or a limit is not a finite number: no change")
    room = _room(wish_um, travel_um, limits)
    size = min(abs(Fraction(wish_um)), max(Fraction(0), Fraction(limits.step_um)), room)
    new = _on_grid(now, size if wish_um > 0 else -size, increment)
    change = _EXACT.subtract(new, now)
    was_cut = size < abs(Fraction(wish_um))
    words = _words(wish_um, change, size == room, travel_um, limits, kind) if was_cut else _whole(wish_um, change, kind)
    return Bounded(now=now, change=change, new=new, was_cut=was_cut, words=words)


def _none(now: Decimal, words: str) -> Bounded:
    return Bounded(now=now, change=Decimal(0), new=now, was_cut=True, words=words)


def _room(wish_um: float, travel_um: float, limits: Limits) -> Fraction:
    """Travel left in the direction of the wish."""
    used = Fraction(travel_um if wish_um > 0 else -travel_um)
    return max(Fraction(0), Fraction(limits.travel_um) - used)


def _on_grid(now: Decimal, change_um: Fraction, increment: Decimal) -> Decimal:
    """The grid value nearest to now + change between the two, or `now` where there is none."""
    steps = (Fraction(now) + change_um / 1000) / Fraction(increment)
    whole = floor(steps) if change_um > 0 else ceil(steps)
    new = _EXACT.multiply(Decimal(whole), increment)
    goes_on = new > now if change_um > 0 else new < now
    return new if goes_on else now


def _whole(wish_um: float, change: Decimal, kind: str) -> str:
    if change == 0:
        return f"{signed(wish_um, kind)} asked, less than the register can be moved by"
    return f"{signed(wish_um, kind)} asked, {signed(float(change) * 1000, kind)} on the register's grid"


def _words(wish_um: float, change: Decimal, by_travel: bool, travel_um: float, limits: Limits, kind: str) -> str:
    cut = f"{signed(wish_um, kind)} asked, cut to {signed(float(change) * 1000, kind)} by the"
    if by_travel:
        return f"{cut} travel limit {amount(limits.travel_um, kind)} ({signed(travel_um, kind)} used)"
    return f"{cut} step limit {amount(limits.step_um, kind)}"
