"""Can the values that a probe calibration left in the control be believed? Pure.

A touch probe triggers a little after contact, so the effective radius of its ball is a little smaller than half the
nominal diameter: the pre-travel, a few micrometres to some tens (common practice). A ball bigger than nominal, empty
values, directions unlike each other, or values that have changed by more than calibrations scatter mean that something
is wrong with the stylus, the ring or the way it was done. Words: RXP RXM RYP RYM effective radii towards +X -X +Y -Y,
OFFX OFFY the ball's centre from the spindle's axis, LENGTH of the probe, BALL nominal diameter.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Final

from feedback.configuration.facts import Artefact, ProbeLimits
from feedback.configuration.suggest import did_you_mean, listed
from feedback.fitness.verdict import Verdict, judged, shown
from feedback.units import LengthUnit

RADII: Final = ("RXP", "RXM", "RYP", "RYM")
OFFSETS: Final = ("OFFX", "OFFY")
WANTED: Final = (*RADII, *OFFSETS, "LENGTH", "BALL")
PLAUSIBLE_BALL_MM: Final = (Decimal("0.5"), Decimal(25))  # 6 mm printed as 0.23622 in is neither (common practice)
PLAUSIBLE_LENGTH_MM: Final = (Decimal(1), Decimal(1000))  # with its extensions (common practice)
CHANGE: Final = "change"  # what the verdict on the change from the last calibration is called

Values = Mapping[str, Decimal | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """One calibration record: values in mm by the log's words, None where a word stood without a value."""

    probe: int
    values: Values
    artefact: str | None
    on: date


def verdicts(
    found: Calibration,
    last: Values | None,
    limits: ProbeLimits,
    artefacts: Mapping[str, Artefact],
    unit: LengthUnit = "mm",
) -> tuple[Verdict, ...]:
    """What each value and all together say. `last`: the values of the calibration before, None for the first one.

    `artefacts` are those of this machine; `unit` is the one that words are in.
    """
    return (
        *_complete(found.values, unit),
        *_balls(found.values, unit),
        *_pretravels(found.values, limits, unit),
        *_asymmetries(found.values, limits, unit),
        *_offsets(found.values, limits, unit),
        *_lengths(found.values, unit),
        *_changes(found.values, last, limits, unit),
        artefact_verdict(found.artefact, found.on, artefacts),
    )


def failed_by_change_alone(found: Sequence[Verdict]) -> bool:
    """The new values are good in themselves, but not those of before: the readings until now are in doubt."""
    failed = {verdict.what for verdict in found if verdict.outcome == "failed"}
    return failed == {CHANGE}


def shows_a_change(found: Sequence[Verdict]) -> bool:
    """The values before this calibration were wrong, whatever the new ones are."""
    return any(verdict.what == CHANGE and verdict.outcome == "failed" for verdict in found)


def _complete(values: Values, unit: LengthUnit) -> Iterator[Verdict]:
    missing = [word for word in WANTED if values.get(word) is None]
    if not missing:
        said = ", ".join(f"{word} {shown(_of(values, word), unit)}" for word in WANTED)
        yield Verdict("values", "passed", f"every value is there: {said}")
        return
    empty = [word for word in missing if word in values]
    words = f"missing {', '.join(missing)}"
    if empty:
        words += f" ({', '.join(empty)} printed without a value)"
    strange = [word for word, value in values.items() if value is None and word not in WANTED]
    if strange:
        words += f"; found {', '.join(strange)} in the record, which is no value"
    yield Verdict("values", "failed", f"{words}; calibrate again, and look whether the control holds the values")


def _balls(values: Values, unit: LengthUnit) -> Iterator[Verdict]:
    """A record in another unit than the machine's is alike in itself: only its sizes give it away."""
    ball = values.get("BALL")
    if ball is None:
        return
    least, most = PLAUSIBLE_BALL_MM
    words = f"nominal ball {shown(ball, unit)}"
    is_good = least <= ball <= most
    other = "inches" if unit == "mm" else "millimetres"
    wanted = f"; wanted {shown(least, unit)} to {shown(most, unit)}: look whether the record is in {other}"
    yield judged("BALL", is_good, words if is_good else words + wanted)


def _pretravels(values: Values, limits: ProbeLimits, unit: LengthUnit) -> Iterator[Verdict]:
    ball = values.get("BALL")
    if ball is None:
        return
    least, most = limits.pretravel_mm
    for word in RADII:
        radius = values.get(word)
        if radius is None:
            continue
        pretravel = ball / 2 - radius
        said = f"effective radius {word} {shown(radius, unit)}, half the nominal ball {shown(ball / 2, unit)}"
        if pretravel < 0:
            words = f"{said}: bigger than the ball by {shown(-pretravel, unit)}, which no probe does"
        else:
            words = f"{said}: pre-travel {shown(pretravel, unit)}"
        wanted = f"; wanted {shown(least, unit)} to {shown(most, unit)}: {_mend(radius, ball)}"
        is_good = least <= pretravel <= most
        yield judged(word, is_good, words if is_good else words + wanted)


def _mend(radius: Decimal, ball: Decimal) -> str:
    if Decimal("0.9") * ball < radius < Decimal("1.1") * ball:
        return "it looks like a diameter; have the program print the radius"
    return "look at the stylus and at the size of ball and ring that the control was told, and calibrate again"


def _asymmetries(values: Values, limits: ProbeLimits, unit: LengthUnit) -> Iterator[Verdict]:
    for axis in "XY":
        plus, minus = values.get(f"R{axis}P"), values.get(f"R{axis}M")
        if plus is None or minus is None:
            continue
        apart = abs(plus - minus)
        words = f"+{axis} and -{axis} differ by {shown(apart, unit)}"
        is_good = apart <= limits.asymmetry_mm
        wanted = f"; wanted at most {shown(limits.asymmetry_mm, unit)}: the stylus may be loose or the ring dirty"
        yield judged(f"+-{axis}", is_good, words if is_good else words + wanted)


def _offsets(values: Values, limits: ProbeLimits, unit: LengthUnit) -> Iterator[Verdict]:
    for word in OFFSETS:
        offset = values.get(word)
        if offset is None:
            continue
        words = f"the ball stands {shown(offset, unit)} from the spindle's axis along {word[-1]}"
        is_good = abs(offset) <= limits.offset_limit_mm
        wanted = f"; wanted at most {shown(limits.offset_limit_mm, unit)} either way: centre the stylus"
        yield judged(word, is_good, words if is_good else words + wanted)


def _lengths(values: Values, unit: LengthUnit) -> Iterator[Verdict]:
    length = values.get("LENGTH")
    if length is None:
        return
    least, most = PLAUSIBLE_LENGTH_MM
    words = f"probe length {shown(length, unit)}"
    is_good = least <= length <= most
    wanted = f"; wanted {shown(least, unit)} to {shown(most, unit)}: look at the value in the control"
    yield judged("LENGTH", is_good, words if is_good else words + wanted)


def _changes(values: Values, last: Values | None, limits: ProbeLimits, unit: LengthUnit) -> Iterator[Verdict]:
    if last is None:
        yield Verdict(CHANGE, "passed", "the first calibration in the history: nothing to compare with")
        return
    if values.get("BALL") != last.get("BALL"):
        yield Verdict(CHANGE, "passed", "another ball than at the last calibration: nothing to compare with")
        return
    moved = {word: _difference(values, last, word) for word in (*RADII, *OFFSETS, "LENGTH")}
    known = {word: change for word, change in moved.items() if change is not None}
    far = [word for word, change in known.items() if abs(change) > limits.change_limit_mm]
    said = {word: f"{word} by {_signed(change, unit)}" for word, change in known.items()}
    if far:
        words = f"changed since the last calibration: {', '.join(said[word] for word in far)}"
        wanted = f"wanted at most {shown(limits.change_limit_mm, unit)}: what was measured until now is in doubt"
        yield Verdict(CHANGE, "failed", f"{words}; {wanted}")
    elif known:
        widest = max(known, key=lambda word: abs(known[word]))
        yield Verdict(CHANGE, "passed", f"changed little since the last calibration, most {said[widest]}")


def artefact_verdict(name: str | None, on: date, artefacts: Mapping[str, Artefact]) -> Verdict:
    """Whether the artefact named is known and its certificate valid on that day."""
    if name is None:
        words = "the record does not say what was calibrated on; let the program print ARTEFACT and its name"
        return Verdict("artefact", "caution", words)
    if not artefacts:
        return Verdict("artefact", "caution", f"{name} is not in cell.toml; state it there to have it checked")
    known = named(name, artefacts)
    if known is None:
        wanted = f"wanted one of cell.toml for this machine: {listed(artefacts) or 'none'}"
        words = f"artefact {name!r} is unknown; {wanted}{did_you_mean(name, artefacts)}"
        return Verdict("artefact", "failed", words)
    until = known.certificate_until
    if until is None:
        return Verdict("artefact", "passed", f"{known.kind} {known.name}")
    words = f"{known.kind} {known.name}, certificate valid until {until.isoformat()}"
    if on <= until:
        return Verdict("artefact", "passed", words)
    return Verdict("artefact", "failed", f"{words}, used on {on.isoformat()}; have it certified again")


def named(name: str, artefacts: Mapping[str, Artefact]) -> Artefact | None:
    """The artefact a log means; logs are written in any case."""
    if name in artefacts:
        return artefacts[name]
    alike = [artefact for key, artefact in artefacts.items() if key.lower() == name.lower()]
    return alike[0] if len(alike) == 1 else None


def _difference(values: Values, last: Values, word: str) -> Decimal | None:
    new, old = values.get(word), last.get(word)
    return None if new is None or old is None else new - old


def _of(values: Values, word: str) -> Decimal:
    value = values[word]
    assert value is not None
    return value


def _signed(value: Decimal, unit: LengthUnit) -> str:
    return shown(value, unit) if value < 0 else f"+{shown(value, unit)}"
