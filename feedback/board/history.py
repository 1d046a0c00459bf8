"""The history for quality: filtered, in words, and as rows for a spreadsheet. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from feedback.board.proposal import step_words
from feedback.board.times import stamp
from feedback.ledger.chain import Event
from feedback.registers import register

KINDS: Mapping[str, str] = {
    "proposed": "proposed",
    "accepted": "accepted",
    "rejected": "rejected",
    "expired": "expired",
    "withdrawn": "withdrawn",
    "entered": "entered",
    "confirmed": "confirmed",
    "unconfirmed": "not confirmed",
    "wrong-way": "went the wrong way",
    "hand-change": "changed by hand",
    "locked": "locked",
    "released": "released",
    "doubted": "readings doubted",
    "doubt-lifted": "doubt lifted",
    "limits-adopted": "limits adopted",
    "configuration": "configuration read",
}
PAGE_ROWS = 200
HEAD = ("number", "time", "machine", "what", "register", "proposal", "person", "from", "to", "unit", "words", "hash")


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """What to show; an empty word lets everything through. `before` is an event number, for older pages."""

    machine: str = ""
    kind: str = ""
    register: str = ""
    person: str = ""
    words: str = ""
    before: int = 0

    @staticmethod
    def of(query: Mapping[str, str]) -> "Filter":
        """From a page's address; a `before` that is no number is as none."""
        before = query.get("before", "")
        names = ("machine", "kind", "register", "person", "words")
        return Filter(
            **{name: query.get(name, "").strip() for name in names},
            before=int(before) if before.isascii() and before.isdigit() and len(before) < 16 else 0,
        )

    def lets(self, row: "Row") -> bool:
        """Whether the row is one of those asked for."""
        text = " ".join((row.words, row.proposal, row.register, row.change)).casefold()
        return (
            (not self.machine or self.machine == row.machine)
            and (not self.kind or self.kind == row.kind)
            and (not self.register or self.register.casefold() in row.register.casefold())
            and (not self.person or self.person == row.person)
            and (not self.words or self.words.casefold() in text)
            and (not self.before or row.number < self.before)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One event as it is read."""

    number: int
    at: str
    machine: str
    kind: str
    what: str
    register: str
    proposal: str
    person: str
    old: str
    new: str
    unit: str
    words: str
    hash: str

    @property
    def change(self) -> str:
        return f"{self.old} → {self.new} {self.unit}".rstrip() if self.old or self.new else ""

    def cells(self) -> tuple[object, ...]:
        """In the order of `HEAD`."""
        return (
            self.number, self.at, self.machine, self.what, self.register, self.proposal, self.person, self.old,
            self.new, self.unit, self.words, self.hash,
        )  # fmt: skip


def rows(events: Iterable[Event], wanted: Filter, zone: ZoneInfo) -> list[Row]:
    """The rows asked for, newest first."""
    found = [row for row in (_row(event, zone) for event in events) if wanted.lets(row)]
    return found[::-1]


def _row(event: Event, zone: ZoneInfo) -> Row:
    content = event.content
    proposal: Mapping[str, Any] = content.get("proposal") or {}
    old = str(proposal.get("now", content.get("from", "")))
    new = str(proposal.get("new", content.get("to", content.get("value", ""))))
    changed = str(content.get("register", ""))
    return Row(
        number=event.seq,
        at=stamp(event.at_us, zone),
        machine=event.machine or "",
        kind=event.kind,
        what=KINDS.get(event.kind, event.kind),
        register=changed,
        proposal="" if "doubt" in event.kind else str(content.get("id", "")),  # a doubt's number means nothing
        person=str(content.get("by") or ""),
        old=old,
        new=new,
        unit=register(changed).unit if changed and (old or new) else "",
        words=step_words(event, with_change=False) if event.kind != "configuration" else str(content.get("digest", "")),
        hash=event.hash,
    )


def people(rows: Sequence[Row]) -> list[str]:
    """Everybody who appears."""
    return sorted({row.person for row in rows if row.person})
