"""What a replay found as tables for analysis."""

from collections.abc import Sequence
from dataclasses import asdict
from math import isinf
from typing import TYPE_CHECKING, Any

from feedback.ledger.chain import moment
from feedback.replay.replaying import Replay
from feedback.replay.tuning import KEYS, Tried, Tuned, to_expect

if TYPE_CHECKING:
    import pandas


def replay_frame(found: Replay) -> "pandas.DataFrame":
    """One row a register (see `feedback.replay.table.Line`).

    `attrs["corrections"]` holds every correction, real and replayed; `attrs["decisions"]` every recorded answer that
    would have been another.
    """
    import pandas

    frame = pandas.DataFrame([asdict(line) for line in found.lines])
    frame.attrs["limits"] = found.limits
    frame.attrs["corrections"] = [{**asdict(turn), "at": moment(turn.at_us).isoformat()} for turn in found.turns]
    frame.attrs["decisions"] = [] if found.compared is None else [asdict(one) for one in found.compared.differences]
    return frame


def tune_frame(some: Sequence[Tuned], limits: str) -> "pandas.DataFrame":
    """One row for every setting tried: what it did on the span chosen on and on the later one.

    `attrs["words"]` says for each scope what came of it, `attrs["limits"]` holds the limits.toml proposed.
    """
    import pandas

    rows = [
        {"scope": tuned.scope.name, **_flags(tuned, one), **tried_row(one)} for tuned in some for one in tuned.tried
    ]
    frame = pandas.DataFrame(rows)
    frame.attrs["words"] = {tuned.scope.name: tuned.words for tuned in some}
    frame.attrs["limits"] = limits
    return frame


def _flags(tuned: Tuned, one: Tried) -> dict[str, bool]:
    return {"in_force": one is tuned.in_force, "on_front": one in tuned.front, "chosen": one is tuned.chosen}


def tried_row(one: Tried) -> dict[str, Any]:
    """One setting as plain values: its results, and what to expect of other parts (95 % intervals; None: unknown)."""
    limits = {name: getattr(one.limits, name) for name in KEYS.values()}
    spans = {f"{name}_{key}": value for name in ("first", "later") for key, value in asdict(getattr(one, name)).items()}
    (low_um, high_um), (fewest, most) = to_expect(one)
    expected = {"rms_um_low": low_um, "rms_um_high": high_um, "per_100_low": fewest, "per_100_high": most}
    known = {f"expect_{key}": None if isinf(value) else value for key, value in expected.items()}
    return {**limits, **spans, **known}
