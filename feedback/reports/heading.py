"""What every document states of itself: whose it is, when it was written, and on which history it rests."""

from datetime import datetime
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from feedback.ledger import queries

if TYPE_CHECKING:
    from feedback.cell import Cell


def heading(cell: "Cell", machine: str, now: datetime) -> dict[str, Any]:
    """Cell, time in the machine's own zone, digest of the configuration, checkpoint of the history."""
    facts = cell.machine(machine)
    with cell.store.reading() as sql:
        checkpoint = queries.head(sql)
    return {
        "cell": cell.configuration.name,
        "machine": machine,
        "now": now.astimezone(facts.time_zone).isoformat(),
        "zone": facts.time_zone.key,
        "configuration": cell.configuration.digest,
        "checkpoint": str(checkpoint),
        "version": version("trueup"),
    }
