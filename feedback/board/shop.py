"""The shop in words: of every machine the answer, since when, and the one thing to do. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

from feedback import answers
from feedback.board.reader import Reader
from feedback.board.times import told

Mark = Literal["leave", "wait", "correct", "hold", "stop", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """One machine on the board. `change` is what the control's page shows before and after."""

    machine: str
    mark: Mark
    headline: str
    about: str = ""  # the register it is about
    change: str = ""
    to_do: str
    why: Sequence[str] = ()
    since: str = ""
    newest: str = ""
    link: str = ""  # id of the proposal to look at
    is_locked: bool = False
    probe: str = ""  # why the probe may not be believed just now
    others: Sequence[str] = ()
    unreadable: str = ""
    is_known: bool = True
    unknown: str = ""  # why the answer may not be taken for the present one

    @property
    def once(self) -> str:
        """The answer in one line, for when it is only the last one known."""
        return f"{self.headline} {self.about}".strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """All machines, and what is in the way of reading them."""

    cell: str
    slips: Sequence[Slip]
    troubles: Sequence[str]


HEADLINES: Mapping[str, str] = {
    "leave": "Leave it alone",
    "wait": "Wait",
    "correct": "Correct",
    "hold": "Hold",
    "stop": "Stop and inspect",
}
NOTHING_READ = "Nothing read yet"


def shop(document: Mapping[str, Any], reader: Reader, trouble: str, zone: ZoneInfo, now: datetime) -> Shop:
    """The shop from the answer document; the answers of a reader that is not at work are not the present ones."""
    troubles = [*([trouble] if trouble else []), *reader.troubles]
    slips = [_slip(machine, reader, zone, now) for machine in document["machines"]]
    return Shop(cell=document["cell"], slips=slips, troubles=troubles)


def reading_words(reader: Reader, zone: ZoneInfo, now: datetime) -> str:
    """Who reads the logs, in words."""
    at = "" if reader.since_us is None else told(reader.since_us, zone, now)
    match reader.state:
        case "at-work":
            return "The logs are being read."
        case "late":
            return f"The reader of the logs has not finished a look since {at}."
        case "away":
            since = f" since {at}" if at else ""
            return f"Nobody reads the logs{since}. Start it: trueup watch"


def _slip(machine: Mapping[str, Any], reader: Reader, zone: ZoneInfo, now: datetime) -> Slip:
    name = machine["machine"]
    unknown = _unknown(name, reader, zone, now)
    newest = machine["since"].newest
    facts = {
        "machine": name,
        "newest": "" if newest is None else f"newest part {newest.name}, measured {told(newest.at_us, zone, now)}",
        "unreadable": _unreadable(machine["unreadable"]),
        "is_known": not unknown,
        "unknown": unknown,
    }
    if not machine["decisions"]:
        return Slip(mark="wait", headline=NOTHING_READ, to_do="Cut and probe a part.", **facts)
    entry = machine["decisions"][0]
    said = _said(entry, len(machine["decisions"]))
    probe = machine.get("probe", answers.UNCHECKED)
    if probe["state"] in answers.UNFIT:
        facts["probe"] = probe["words"]
        if entry["answer"] in ("leave", "wait"):
            to_do = "Check the probe; nothing is proposed until then."
            said = {"mark": "hold", "headline": HEADLINES["hold"], "to_do": to_do}
    others = [_other(other) for other in machine["decisions"][1:] if other["answer"] != "leave"]
    return Slip(**said, **facts, since=_since(machine["since"], entry, zone, now), others=others)


def _unknown(machine: str, reader: Reader, zone: ZoneInfo, now: datetime) -> str:
    if not reader.is_at_work:
        return reading_words(reader, zone, now)
    if machine in reader.unread_machines:
        return "The log folder of this machine cannot be read."
    return ""


def _unreadable(found: Mapping[str, Any]) -> str:
    if not found["lines"]:
        return ""
    lines = "1 log line" if found["lines"] == 1 else f"{found['lines']} log lines"
    return f"{lines} could not be understood; the newest: {found['newest']}"


def _said(entry: Mapping[str, Any], registers: int) -> dict[str, Any]:
    """Headline, the one thing to do and the reasons of the most pressing register."""
    answer = entry["answer"]
    if answer == "leave":
        looked = "1 register looked at" if registers == 1 else f"{registers} registers looked at"
        return {
            "mark": "leave",
            "headline": HEADLINES["leave"],
            "to_do": "Nothing to do.",
            "why": [f"{looked}, none needs anything"],
        }
    proposal = entry.get("proposal")
    live = proposal if proposal is not None and proposal["status"] in answers.LIVE else None
    said: dict[str, Any] = {
        "mark": answer,
        "headline": HEADLINES[answer],
        "about": str(entry["register"]),
        "why": [entry["locked"]] if entry.get("locked") else answers.main_reasons(entry),
        "is_locked": bool(entry.get("locked")),
        "to_do": _to_do(entry, live),
        "link": "" if live is None or entry.get("locked") else live["id"],
        "change": "" if live is None else answers.page_words(live["page"]),
    }
    if answer == "correct" and live is not None and live["status"] == "accepted":
        said["headline"] = "Enter it:"
    return said


def _to_do(entry: Mapping[str, Any], live: Mapping[str, Any] | None) -> str:
    match entry["answer"]:
        case "wait":
            return "Go on; cut and probe the next part."
        case "correct" if live is not None and live["status"] == "accepted":
            return "Load or key in the snippet, prove it out, measure the first part."
        case "correct":
            return "Look at the proposal, then accept or reject it."
        case "stop" if live is not None:
            return f"Inspect part {entry['part']} first; then look at the proposal."
        case "stop":
            return f"Inspect part {entry['part']} before the next one."
        case _ if entry.get("locked"):
            return "Find out what happened; then a person releases the register."
        case _:
            return "Change nothing now; see what is missing."


def _other(entry: Mapping[str, Any]) -> str:
    words = {"wait": "wait", "correct": "correct", "hold": "hold", "stop": "stop and inspect"}
    return f"{entry['register']}: {words[entry['answer']]}"


def _since(since: Any, entry: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    """Since when the answer stands, by the part it began with."""
    if since.locked_at_us is not None:
        return f"locked since {told(since.locked_at_us, zone, now)}"
    if since.part is None:
        return f"as of part {entry['part']}"
    before = "since before" if since.is_longer else "since"
    return f"{before} part {since.part.name}, {told(since.part.at_us, zone, now)}"
