"""What a replay found as tables for analysis."""

from dataclasses import asdict
from typing import TYPE_CHECKING

from feedback.ledger.chain import moment
from feedback.replay.replaying import Replay

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
