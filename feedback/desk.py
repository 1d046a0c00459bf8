"""The review desk of one machine: which corrections are proposed, what became of them, what stands in their way.

A proposal is data (`proposed` event); whether it was accepted comes from a person, whether it was entered from the log.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from feedback import answers
from feedback.cause import decided_cause
from feedback.configuration.facts import Configuration, Machine
from feedback.delay import MOST_ENTRIES, parts_before_entry
from feedback.effect import Finding
from feedback.evidence import Standing, Witness
from feedback.follow import UM_PER_MM, Change, PartSeen
from feedback.ledger import queries, recent, review
from feedback.locks import tells_of_break
from feedback.registers import Register, register
from feedback.snippets.entry import on_page
from rules.evidence import Evidence
from rules.limits import Limits
from rules.standing import still_stands
from rules.verdicts import Decision

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql
    from feedback.ledger.store import Writing

UNDER_WAY = ("open", "accepted", "rejected")
_EFFECTS = {"confirmed": review.confirm, "unconfirmed": review.leave_unconfirmed, "wrong-way": review.find_wrong_way}
UNTIL_NEW_TOOL = "new-tool"  # what ends a lock on a broken tool
EVIDENCE_PARTS = 10  # parts whose log lines a proposal names; older ones weigh next to nothing in the estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class _Live:
    """A proposal that is open, accepted, or rejected not long ago."""

    id: str
    status: str
    opened_part_id: int
    change_um: float
    new: Decimal
    expires_at: datetime | None


class Desk:
    """Keeps the proposals under way in memory; the ledger is asked again when somebody else has written."""

    def __init__(self, configuration: Configuration, machine: Machine) -> None:
        self.configuration = configuration
        self.machine = machine
        self._live: dict[str, _Live] = {}
        self._holds: dict[str, queries.Hold] = {}
        self._entries: list[int] | None = None  # parts that were cut before each of the last entries
        self._seen: int | None = None  # the newest event when people were last asked

    def refresh(self, tx: "Writing") -> None:
        """Learn what people have said since the last look."""
        if self._seen is not None and not queries.people_spoke(tx.sql, self._seen):
            self._seen = tx.head.count
            return
        self._seen = tx.head.count
        self._live = {
            row.register: _Live(
                id=row.id,
                status=row.status,
                opened_part_id=row.opened_part_id or 0,
                change_um=float(row.content["change"]) * UM_PER_MM,
                new=Decimal(row.content["new"]),
                expires_at=_time(row.content["expires_at"]),
            )
            for row in queries.proposals(tx.sql, self.machine.name, UNDER_WAY)
        }
        self._holds = queries.holds(tx.sql, self.machine.name)

    def lag(self, sql: "Sql") -> int:
        """Parts that are usually cut between probing and entry."""
        if self._entries is None:
            entered = queries.story(sql, self.machine.name, ("entered",), last=MOST_ENTRIES)
            self._entries = [event.content.get("parts", 0) for event in entered]
        return parts_before_entry(self.machine.lag, self._entries)

    def look_again(self) -> None:
        """Something may have been withdrawn meanwhile: the ledger is asked at the next look."""
        self._seen = None

    def standing(self, register: str) -> Standing:
        """What stands in the way of a correction of this register."""
        live = self._live.get(register)
        hold = self._holds.get(register, queries.Hold())
        return Standing(
            pending=live.id if live is not None and live.status == "accepted" else None,
            rejected=live.id if live is not None and live.status == "rejected" else None,
            locked=None if tells_of_break(hold.locked) else hold.locked,
            broken=hold.locked if tells_of_break(hold.locked) else None,
            growth_released=hold.growth_released,
        )

    def has(self, register: str) -> bool:
        """A proposal for this register is open, accepted, or rejected not long ago."""
        return register in self._live

    def register_changed(self, tx: "Writing", change: Change) -> None:
        """The log shows that a register was changed: by our proposal, or by hand."""
        name = str(change.register)
        self._end_hold(tx, change)
        live = self._live.get(name)
        if live is not None and live.status in answers.LIVE and self._is_entry(live, change):
            parts = recent.parts_cut(tx.sql, self.machine.name, live.opened_part_id, change.at_us)
            review.enter(tx, live.id, change.new, change.source, parts)
            self._entries = None
            del self._live[name]
            self._holds = queries.holds(tx.sql, self.machine.name)
            return
        tx.append("hand-change", self.machine.name, _hand_change(change))
        if live is not None and live.status in answers.LIVE:
            del self._live[name]
            moved = f"from {change.old} to {change.new} {change.register.unit}"
            why = f"{name} was changed by hand {moved} ({change.source})"
            review.withdraw(tx, live.id, why)

    def tool_changed(self, tx: "Writing", tool: int, source: str) -> None:
        """A new tool was recorded: what was proposed for the one before is not for this one."""
        for name, live in list(self._live.items()):
            if register(name).tool == tool:
                del self._live[name]
                if live.status in answers.LIVE:
                    review.withdraw(tx, live.id, f"a new tool {tool} was recorded ({source})")

    def _end_hold(self, tx: "Writing", change: Change) -> None:
        """A hold because the last change was not seen to work ends with the next one."""
        name = str(change.register)
        is_locked = self._holds.get(name, queries.Hold()).locked is not None
        if is_locked and queries.is_locked_until_change(tx.sql, self.machine.name, name):
            why = f"{name} was changed from {change.old} to {change.new} {change.register.unit} ({change.source})"
            review.release_by_change(tx, self.machine.name, name, why)
            self._holds = queries.holds(tx.sql, self.machine.name)

    def lock(self, tx: "Writing", register: Register, why: str) -> None:
        """Propose nothing more for the register until a person releases it; a proposal ends with the next part.

        A tool that was found broken stays so: nothing else that is said of it hides that.
        """
        if self.is_broken(str(register)):
            return
        review.lock(tx, self.machine.name, str(register), why)
        self._holds = queries.holds(tx.sql, self.machine.name)

    def is_broken(self, register: str) -> bool:
        """The register's tool was found broken, and nothing has ended that."""
        return tells_of_break(self._holds.get(register, queries.Hold()).locked)

    def tool_broken(self, tx: "Writing", register: Register, why: str) -> None:
        """Stop for the register's tool until a new one is recorded or a person releases it."""
        if not self.is_broken(str(register)):
            review.lock(tx, self.machine.name, str(register), why, {"until": UNTIL_NEW_TOOL})
            self._holds = queries.holds(tx.sql, self.machine.name)

    def break_mended(self, tx: "Writing", tool: int, source: str) -> list[str]:
        """A new tool ends the stop for the broken one; what else locked its registers stays. Those registers."""
        mended = [name for name in self._holds if register(name).tool == tool and self.is_broken(name)]
        for name in mended:
            why = f"a new tool {tool} was recorded ({source})"
            locks = queries.locks_in_force(tx.sql, self.machine.name, name)
            others = [lock for lock in locks if lock.get("until") != UNTIL_NEW_TOOL]
            review.release_by_change(tx, self.machine.name, name, why)
            for lock in reversed(others):
                until = {} if lock.get("until") is None else {"until": lock["until"]}
                review.lock(tx, self.machine.name, name, lock["why"], until)
        self._holds = queries.holds(tx.sql, self.machine.name)
        return mended

    def effect_found(self, tx: "Writing", finding: Finding) -> None:
        """Keep what a change did: with its proposal, or, for a hand change, only where it contradicts."""
        entry = self._entry_of(tx, finding)
        if entry is not None:
            _EFFECTS[finding.status](tx, entry, finding.why, finding.measured())
        is_told = self.is_broken(str(finding.register)) or (entry is not None and finding.status == "wrong-way")
        if finding.contradicts and not is_told:
            is_sign_wrong = finding.status == "wrong-way"
            until = {} if is_sign_wrong else {"until": "change"}
            why = finding.why if is_sign_wrong else f"{finding.why} (the next change of the register ends this too)"
            review.lock(tx, self.machine.name, str(finding.register), why, {**finding.measured(), **until})
        if finding.contradicts:
            self._holds = queries.holds(tx.sql, self.machine.name)

    def effects_found_again(self, tx: "Writing", findings: Iterable[Finding]) -> None:
        """After late news: what was kept of a change stays; a change without a verdict gets one."""
        told = queries.story(tx.sql, self.machine.name, (*_EFFECTS, "locked"))
        kept = {(event.content["register"], event.content.get("source")) for event in told}
        for finding in findings:
            if (str(finding.register), finding.source) not in kept:
                self.effect_found(tx, finding)

    def _entry_of(self, tx: "Writing", finding: Finding) -> str | None:
        """The entered proposal whose effect was found."""
        for row in queries.proposals(tx.sql, self.machine.name, ("entered",)):
            within = self.machine.increment(finding.register) / 2
            if row.register == str(finding.register) and abs(Decimal(row.content["new"]) - finding.new) < within:
                return row.id
        return None

    def _is_entry(self, live: _Live, change: Change) -> bool:
        """The register holds the proposed value, as far as it can hold it."""
        return abs(live.new - change.new) < self.machine.increment(change.register) / 2

    def run_out(self, tx: "Writing", witness: Witness, seen: PartSeen, limits: Limits) -> None:
        """End what has had its time with this part: a proposal, or the rest after a rejection."""
        live = self._live.get(witness.name)
        if live is None or not self._has_expired(tx, live, witness, seen, limits):
            return
        del self._live[witness.name]
        if live.status in answers.LIVE:
            review.expire(tx, live.id, f"{_span(limits)} have passed since it was proposed")

    def reconsider(self, tx: "Writing", witness: Witness, evidence: Evidence, limits: Limits) -> None:
        """Withdraw an open proposal where the new evidence speaks against it."""
        live = self._live.get(witness.name)
        if live is None or live.status != "open":
            return
        why = still_stands(live.change_um, evidence, limits)
        if why is not None:
            del self._live[witness.name]
            review.withdraw(tx, live.id, why)

    def propose(
        self,
        tx: "Writing",
        witness: Witness,
        seen: PartSeen,
        evidence: Evidence,
        decision: Decision,
        limits: Limits,
        cautions: Sequence[str] = (),
    ) -> None:
        """Open a proposal, unless one stands already; `cautions` are for the person who reviews it."""
        if witness.name in self._live or decision.step is None:
            return
        content = {**self._content(tx, witness, seen, evidence, decision, limits), "cautions": list(cautions)}
        opened = review.open_proposal(tx, self.machine.name, witness.name, content, seen.part_id)
        self._live[witness.name] = _Live(
            id=opened,
            status="open",
            opened_part_id=seen.part_id,
            change_um=float(decision.step.change) * UM_PER_MM,
            new=decision.step.new,
            expires_at=_time(content["expires_at"]),
        )

    def _content(
        self,
        tx: "Writing",
        witness: Witness,
        seen: PartSeen,
        evidence: Evidence,
        decision: Decision,
        limits: Limits,
    ) -> dict[str, Any]:
        """All a reviewer is shown and what it rests on; exact values are text, so that the digest is exact too."""
        step = decision.step
        assert step is not None
        unit = witness.register.unit
        cause = decided_cause(evidence, decision)
        entry = answers.decision_entry(evidence, decision, cause)
        return {
            "machine": self.machine.name,
            "register": witness.name,
            "unit": unit,
            "part": seen.part,
            "now": f"{step.now:f}",
            "change": f"{step.change:f}",
            "new": f"{step.new:f}",
            "page": on_page(witness.register, self.machine, now=step.now, change=step.change, new=step.new),
            "was_cut": step.was_cut,
            "cause": cause,
            "features": answers.feature_entries(decision, unit),
            "reasons": entry["reasons"],
            "error": entry[f"error_{unit}"],
            "sd": entry[f"sd_{unit}"],
            "slope_per_part": entry[f"slope_{unit}_per_part"],
            "parts_left": entry["parts_left"],
            "parts": recent.newest_parts(
                tx.sql, self.machine.name, witness.feature_keys, seen.part_id, min(evidence.parts, EVIDENCE_PARTS)
            ),
            "evidence": queries.evidence_lines(
                tx.sql, self.machine.name, witness.feature_keys, min(evidence.parts, EVIDENCE_PARTS)
            ),
            "limits": {name: getattr(limits, name) for name in limits.__slots__},
            "expires": _span(limits),
            "expires_at": _expiry(tx.at, limits),
            "configuration": self.configuration.digest,
        }

    def _has_expired(self, tx: "Writing", live: _Live, witness: Witness, seen: PartSeen, limits: Limits) -> bool:
        if live.expires_at is not None and tx.at >= live.expires_at:
            return True
        if limits.expires_parts is None or seen.part_id <= live.opened_part_id:
            return False
        parts = recent.parts_between(tx.sql, self.machine.name, witness.feature_keys, live.opened_part_id, seen.part_id)
        return parts >= limits.expires_parts


def _hand_change(change: Change) -> dict[str, Any]:
    return {
        "register": str(change.register),
        "from": f"{change.old:f}",
        "to": f"{change.new:f}",
        "source": change.source,
        "at_new_tool": change.at_new_tool,
    }


def _span(limits: Limits) -> str:
    if limits.expires_parts is not None:
        return f"{limits.expires_parts} parts"
    return "no time" if limits.expires_s is None else f"{limits.expires_s / 3600:g} h"


def _expiry(at: datetime, limits: Limits) -> str | None:
    return None if limits.expires_s is None else (at + timedelta(seconds=limits.expires_s)).isoformat()


def _time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)
