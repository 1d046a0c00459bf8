"""What a replay asks the store: everything one machine did, which proposals were entered, what the columns rest on."""

from bisect import bisect_right
from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from feedback.ledger import probes, queries, recent
from feedback.ledger.chain import Event, canonical, digest
from feedback.ledger.fold import TEXTS
from feedback.ledger.recent import News
from feedback.ledger.sql import marks

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql

# What is said about the text and by people; the rest is what the columns come from.
SAID = (
    "decided", "decision", "proposed", "accepted", "rejected", "expired", "withdrawn", "confirmed", "unconfirmed",
    "wrong-way", "hand-change", "locked", "released", "configuration",
)  # fmt: skip
FAR_OFF_US = 2**62
_BEFORE_EVERYTHING = (-FAR_OFF_US, -1)


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


class Told(NamedTuple):
    """An event, and the newest text of its machine that had been taken by then, by its number."""

    text: int
    event: Event

    @property
    def is_from_a_person(self) -> bool:
        """Then it counts from the next text on; what a text brought about counts with it."""
        return bool(self.event.content.get("by"))


def told(sql: "Sql", machine: str, kinds: Collection[str]) -> list[Told]:
    """Every event of these kinds about one machine, oldest first."""
    texts = _texts(sql, machine)
    return [Told(_newest(texts, event.seq), event) for event in queries.story(sql, machine, kinds)]


def _texts(sql: "Sql", machine: str) -> list[int]:
    names = sorted(TEXTS)
    found = sql.rows(
        f"SELECT seq FROM event WHERE machine = ? AND kind IN ({marks(names)}) ORDER BY seq", (machine, *names)
    )
    return [seq for (seq,) in found]


def _newest(texts: Sequence[int], seq: int) -> int:
    """The newest text up to an event; -1 before the first."""
    at = bisect_right(texts, seq)
    return texts[at - 1] if at else -1


def count_of_parts(sql: "Sql", machine: str) -> int:
    """How many parts of a machine are in the history."""
    (count,) = sql.row("SELECT count(*) FROM part WHERE machine = ?", (machine,)) or (0,)
    return int(count)


def bounds(sql: "Sql", machines: Sequence[str], since_us: int | None, until_us: int | None) -> tuple[int, int] | None:
    """The times of the first and the last part of some machines in a span; None where there is none."""
    found = sql.row(
        f"SELECT min(at_us), max(at_us) FROM part WHERE machine IN ({marks(machines)}) AND ended IS NOT NULL "
        "AND at_us >= ? AND at_us <= ?",
        (*machines, -FAR_OFF_US if since_us is None else since_us, FAR_OFF_US if until_us is None else until_us),
    )
    return None if found is None or found[0] is None else (int(found[0]), int(found[1]))


def text_of_parts(sql: "Sql", machine: str) -> dict[int, int]:
    """By part id the number of the text that completed the part."""
    return dict(sql.rows("SELECT id, ended FROM part WHERE machine = ? AND ended IS NOT NULL", (machine,)))


def checks(sql: "Sql", machine: str) -> list[tuple[int, probes.CheckRow]]:
    """Everything judged of a machine's probes, each with the number of the text that told of it."""
    texts = _texts(sql, machine)
    said = dict(sql.rows("SELECT id, seq FROM probe_check WHERE machine = ?", (machine,)))
    return [(_newest(texts, said[row.id]), row) for row in probes.checks(sql, machine)]


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
