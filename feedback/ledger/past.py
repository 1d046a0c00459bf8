"""What a replay asks the store: everything one machine did, which proposals were entered, what the columns rest on."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, NamedTuple

from feedback.ledger import queries, recent
from feedback.ledger.chain import canonical, digest
from feedback.ledger.recent import News
from feedback.ledger.sql import marks

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql

# What is said about the text and by people; the rest is what the columns come from.
SAID = (
    "decided", "decision", "proposed", "accepted", "rejected", "expired", "withdrawn", "confirmed", "unconfirmed",
    "wrong-way", "hand-change", "locked", "released", "configuration",
)  # fmt: skip
_BEFORE_EVERYTHING = (-(2**62), -1)


def everything(sql: "Sql", machine: str) -> News:
    """All measurements of completed parts, register prints and new tools of one machine."""
    return recent.since(sql, machine, (), _BEFORE_EVERYTHING, 0)


class EntryRow(NamedTuple):
    """A proposal that reached the machine: the log line that showed it, and how many parts were cut before it."""

    register: str
    source: str
    value: str
    opened_part_id: int
    parts: int


def entries(sql: "Sql", machine: str) -> Iterator[EntryRow]:
    """Every proposal that reached the machine, oldest first."""
    opened = dict(sql.rows("SELECT id, opened_part_id FROM proposal WHERE machine = ?", (machine,)))
    for event in queries.story(sql, machine, ("entered",)):
        content = event.content
        yield EntryRow(
            register=content["register"],
            source=content["source"],
            value=str(content["value"]),
            opened_part_id=opened.get(content["id"]) or -1,
            parts=content.get("parts", 0),
        )


def digest_of(sql: "Sql", machine: str, *facts: Any) -> str:
    """Changes whenever the columns of a machine would be others: its taken text, doubts, entries, and `facts`.

    Each event's hash seals all before it, so the last one of those kinds stands for them.
    """
    last = sql.row(
        f"SELECT seq, hash FROM event WHERE (machine = ? OR machine IS NULL) AND kind NOT IN ({marks(SAID)}) "
        "ORDER BY seq DESC LIMIT 1",
        (machine, *SAID),
    )
    return digest(canonical({"rests on": [list(last or ()), *facts]}).encode())


def corrections(sql: "Sql", machine: str) -> list[dict[str, Any]]:
    """Every proposal of one machine that was entered, oldest first: register, part, change and new value as text."""
    rows = queries.proposals(sql, machine, ("entered", "confirmed", "unconfirmed", "wrong-way"))
    return [
        {
            "register": row.register,
            "part_id": row.opened_part_id,
            "part": row.content["part"],
            "change": row.content["change"],
            "new": row.content["new"],
            "id": row.id,
        }
        for row in rows
    ]
