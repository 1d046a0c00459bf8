"""One proposal as a reviewer needs it: what changes, why, what it does to every feature, what became of it. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from feedback import answers
from feedback.board.times import stamp, told
from feedback.inches import features_in_own_unit, in_own_unit, places
from feedback.ledger.chain import Event
from feedback.registers import register

CAUSES: Mapping[str, str] = {
    "none": "The readings stand off their target",
    "wear": "The readings drift one way, as a wearing cutter makes them",
    "new-edge": "The readings of this tool jumped at once, as a new edge makes them",
    "part-moved": "The positions moved together, as a part or fixture that lies elsewhere makes them",
    "warm-up": "All tools drift alike, as a machine makes them that is warming up",
    "probe": "All sizes moved alike, as a probe makes them that is out of calibration",
    "tool-broken": "The readings are further off than any wear",
    "outlier": "One reading is unlike all others",
    "conflict": "Features of one tool ask for opposite corrections",
    "unknown": "The readings moved, and the cause is not proven",
}
CAUTIONS: Sequence[str] = (
    "Check the offset page before and after. Spindle stopped, axes clear.",
    "Prove out in single block with reduced rapid.",
    "Measure the first part before the run goes on.",
    "The rules of the shop and the manual of the machine builder come first.",
)
STATUSES: Mapping[str, str] = {
    "open": "waits for an answer",
    "accepted": "is accepted; the log has not shown the new value yet",
    "rejected": "was rejected",
    "expired": "has expired: it no longer describes the machine",
    "withdrawn": "was withdrawn: what it rested on no longer holds",
    "entered": "was entered: the log shows the new value; the next parts must show what it does",
    "confirmed": "is confirmed: the readings moved as promised",
    "unconfirmed": "was entered, and the readings did not move as promised",
    "wrong-way": "went the wrong way: the register is locked until a person releases it",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FeatureLine:
    """One feature before and after: deviation of the next part from nominal, and what is left to the nearer limit."""

    id: str
    name: str
    before: str
    after: str
    margin_before: str
    margin_after: str
    limits: str
    unit: str
    is_worse: bool


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happened to a proposal."""

    kind: str
    at: str
    words: str


def why(content: Mapping[str, Any]) -> str:
    """Two sentences: what is going on, and what follows from it."""
    entry = {"answer": "correct", "reasons": content["reasons"]}
    unit = content["page"]["unit"]
    reasons = [in_own_unit(words, unit).rstrip(".") for words in answers.main_reasons(entry)]
    first = CAUSES.get(content["cause"], f"The cause is {content['cause']}")
    if reasons:
        first = f"{first}: {reasons[0]}"
    second = "; ".join(reasons[1:])
    return f"{first}." + (f" {second[:1].upper()}{second[1:]}." if second else "")


def feature_lines(content: Mapping[str, Any], names: Mapping[str, str]) -> list[FeatureLine]:
    """Every feature the step moves in the unit of the page, the one with the least left after it first."""
    unit, features = features_in_own_unit(content)
    digits = places(unit)
    lines = []
    for feature in features:
        before, after, lower, upper = (feature[name] for name in ("before", "after", "lower", "upper"))
        left_before, left_after = min(before - lower, upper - before), min(after - lower, upper - after)
        line = FeatureLine(
            id=feature["id"],
            name=names.get(feature["id"], ""),
            before=f"{before:+.{digits}f}",
            after=f"{after:+.{digits}f}",
            margin_before=_left(left_before, digits),
            margin_after=_left(left_after, digits),
            limits=f"{lower:+.{digits}f} to {upper:+.{digits}f}",
            unit=unit,
            is_worse=left_after < left_before,
        )
        lines.append((left_after, line))
    return [line for _, line in sorted(lines, key=lambda pair: pair[0])]


def _left(margin: float, digits: int) -> str:
    return f"{margin:.{digits}f}" if margin >= 0 else f"{-margin:.{digits}f} outside"


def steps(events: Iterable[Event], zone: ZoneInfo, now: datetime) -> list[Step]:
    """What happened to a proposal, oldest first."""
    return [Step(event.kind, told(event.at_us, zone, now), step_words(event)) for event in events]


def exact_steps(events: Iterable[Event], zone: ZoneInfo) -> list[Step]:
    """The same with full dates, for paper."""
    return [Step(event.kind, stamp(event.at_us, zone), step_words(event)) for event in events]


def step_words(event: Event, *, with_change: bool = True) -> str:
    """One event in words: who, what, why and where it was seen."""
    content = event.content
    pieces = [f"probe {content['probe']}"] if "probe" in content else []
    pieces += [f"by {content['by']}"] if content.get("by") else []
    if event.kind == "proposed":
        proposal = content["proposal"]
        pieces.append(f"after part {proposal['part']}")
    if "value" in content:
        pieces.append(f"the register holds {content['value']} {register(content['register']).unit}")
    if "from" in content and with_change:
        pieces.append(f"{content['from']} -> {content['to']} {register(content['register']).unit}")
    if content.get("gain") is not None:
        pieces.append(gain_words(content))
    pieces += [str(content[key]) for key in ("why", "note") if content.get(key)]
    if content.get("source"):
        pieces.append(f"seen at {content['source']}")
    return "; ".join(pieces)


def gain_words(effect: Mapping[str, Any]) -> str:
    """What share of the promised effect the readings showed."""
    share = f"{100 * effect['gain']:.0f} % of the promised effect"
    if effect.get("gain_low") is None:
        return share
    return f"{share} (95 %: {100 * effect['gain_low']:.0f} to {100 * effect['gain_high']:.0f} %)"
