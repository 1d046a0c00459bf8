"""What people and the tool may do with a proposal, and in which order. Nothing here reaches a machine.

Accepted is not entered: only a register value seen in a later log says that somebody made the change.
Every function works inside one open transaction, at that transaction's time, and raises UsageError before anything is
written when it may not be done.
"""

import hashlib
from collections.abc import Iterator, Mapping
from itertools import count
from typing import TYPE_CHECKING, Any, Final

from feedback.configuration.facts import Person
from feedback.errors import UsageError
from feedback.ledger import probes, queries
from feedback.ledger.chain import canonical, digest
from feedback.ledger.queries import Proposal

if TYPE_CHECKING:
    from feedback.ledger.store import Writing

People = Mapping[str, Person]

NOTHING: Final[Mapping[str, Any]] = {}

CONSONANTS: Final = "bcdfghjkmnpqrstvwxz"  # no vowels: no word by chance; no l and no digits: nothing to misread
LETTERS: Final = 6  # 47 million names

MAY_BECOME: Final[Mapping[str, frozenset[str]]] = {
    "open": frozenset({"accepted", "rejected", "expired", "withdrawn", "entered"}),
    "accepted": frozenset({"expired", "withdrawn", "entered"}),
    "entered": frozenset({"confirmed", "unconfirmed", "wrong-way"}),
}


def open_proposal(
    tx: "Writing", machine: str, register: str, content: Mapping[str, Any], opened_part_id: int | None = None
) -> str:
    """Open a proposal with `content` for one register; its id comes out.

    UsageError while another proposal for the register is open or accepted: two at once would count the error twice.
    """
    for other in queries.proposals(tx.sql, machine):
        if other.register == register:
            raise UsageError(
                f"{machine} {register}: proposal {other.id} is still {other.status}; wanted none open or accepted; "
                "withdraw it, or let it be answered first"
            )
    sealed = proposal_digest(content)
    taken = {id for (id,) in tx.sql.rows("SELECT id FROM proposal")}
    id = next(name for name in names(sealed) if name not in taken)
    proposed = {"id": id, "register": register, "digest": sealed, "part_id": opened_part_id, "proposal": content}
    tx.append("proposed", machine, proposed)
    return id


def accept(tx: "Writing", people: People, id: str, by: str, note: str = "", digest: str | None = None) -> Proposal:
    """Person `by` accepts proposal `id`; `digest`, when given, must be that of the proposal the person saw."""
    found = _answerable(tx, people, id, by, "accepted", digest)
    tx.append("accepted", found.machine, {"id": id, "by": by, "note": note, "digest": found.digest})
    return _as_it_stands(tx, id)


def reject(tx: "Writing", people: People, id: str, by: str, why: str, digest: str | None = None) -> Proposal:
    """Person `by` rejects proposal `id` and says why."""
    found = _answerable(tx, people, id, by, "rejected", digest)
    _reason(why, f"proposal {id}")
    tx.append("rejected", found.machine, {"id": id, "by": by, "why": why, "digest": found.digest})
    return _as_it_stands(tx, id)


def expire(tx: "Writing", id: str, why: str) -> Proposal:
    """The proposal no longer describes the machine."""
    return _change(tx, id, "expired", {"why": why})


def withdraw(tx: "Writing", id: str, why: str) -> Proposal:
    """What the proposal rested on no longer holds."""
    return _change(tx, id, "withdrawn", {"why": why})


def enter(tx: "Writing", id: str, value: object, source: str, parts: int = 0) -> Proposal:
    """The proposed value was seen in the register, at `source` ("M1/20261125.txt:214"), reviewed or not.

    `parts` were cut meanwhile, after the one that it was proposed on.
    """
    return _change(tx, id, "entered", {"value": value, "source": source, "parts": parts})


def confirm(tx: "Writing", id: str, why: str, measured: Mapping[str, Any] = NOTHING) -> Proposal:
    """The readings moved as promised."""
    return _change(tx, id, "confirmed", {**measured, "why": why})


def leave_unconfirmed(tx: "Writing", id: str, why: str, measured: Mapping[str, Any] = NOTHING) -> Proposal:
    """The readings did not move, or not by what was promised."""
    return _change(tx, id, "unconfirmed", {**measured, "why": why})


def find_wrong_way(tx: "Writing", id: str, why: str, measured: Mapping[str, Any] = NOTHING) -> Proposal:
    """The readings moved against the promise: the register is locked until a person releases it."""
    return _change(tx, id, "wrong-way", {**measured, "why": why})


def lock(tx: "Writing", machine: str, register: str, why: str, measured: Mapping[str, Any] = NOTHING) -> None:
    """Nothing more is proposed for the register until a person releases it.

    `measured` is what it rests on; with `until` = "change", the next change of the register releases it too.
    """
    tx.append("locked", machine, {"register": register, **measured, "why": why})


def release_by_change(tx: "Writing", machine: str, register: str, why: str) -> None:
    """The register was changed once more: what was said about the change before is history."""
    tx.append("released", machine, {"register": register, "by": None, "why": why, "what": "lock"})


def release(tx: "Writing", people: People, machine: str, register: str, by: str, why: str) -> str:
    """Person `by` releases a register: from its lock, else for the next correction in the growing direction.

    What was released comes out: "lock" or "growth".
    """
    check_person(people, by, "release")
    _reason(why, f"{machine} {register}")
    hold = queries.holds(tx.sql, machine).get(register, queries.Hold())
    what = "growth" if hold.locked is None else "lock"
    if what == "growth" and hold.growth_released:
        raise UsageError(f"{machine} {register}: found it not locked and released already; there is nothing to do")
    tx.append("released", machine, {"register": register, "by": by, "why": why, "what": what})
    return what


def lift_doubts(tx: "Writing", people: People, machine: str, probe: int, by: str, why: str) -> list[int]:
    """Person `by` answers for everything measured with a probe that failed: the numbers of the doubts lifted come out.

    What failed until now counts no more. UsageError when nothing is in doubt.
    """
    check_person(people, by, "release")
    _reason(why, f"{machine} probe {probe}")
    ids = [doubt.id for doubt in probes.doubts(tx.sql, machine) if doubt.probe == probe and not doubt.lifted]
    if not ids:
        others = sorted({doubt.probe for doubt in probes.doubts(tx.sql, machine) if not doubt.lifted})
        wanted = ", ".join(map(str, others)) or "none"
        raise UsageError(
            f"{machine} probe {probe}: found nothing in doubt; probes of {machine} with readings in doubt: {wanted};"
            " nothing was changed"
        )
    tx.append("doubt-lifted", machine, {"probe": probe, "ids": ids, "by": by, "why": why})
    return ids


def adopt_limits(tx: "Writing", people: People, by: str, why: str, *, before: str, after: str, text: str) -> None:
    """Person `by` puts other limits in place; `before` and `after` are the digests of the whole configuration."""
    check_person(people, by, "limits")
    _reason(why, "limits.toml")
    tx.append("limits-adopted", None, {"by": by, "why": why, "before": before, "after": after, "text": text})


def proposal_digest(content: Mapping[str, Any]) -> str:
    """The digest a reviewer's answer is tied to."""
    return digest(canonical(content).encode())


def names(sealed: str) -> Iterator[str]:
    """Names for the proposal with digest `sealed`: "p-" and six consonants, without end in case one is taken."""
    yield _name(sealed.removeprefix("sha256:"))
    for again in count(1):
        yield _name(hashlib.sha256(f"{sealed} {again}".encode()).hexdigest())


def _name(hexadecimal: str) -> str:
    number = int(hexadecimal, 16)
    letters = ""
    for _ in range(LETTERS):
        number, place = divmod(number, len(CONSONANTS))
        letters += CONSONANTS[place]
    return f"p-{letters}"


def check_change(proposal: Proposal, status: str) -> None:
    """UsageError unless `proposal` may become `status` from what it is now."""
    if status not in MAY_BECOME.get(proposal.status, frozenset()):
        by = f" by {proposal.by}" if proposal.by else ""
        since = proposal.changed_at.isoformat(timespec="seconds")
        wanted = " or ".join(before for before, after in MAY_BECOME.items() if status in after)
        raise UsageError(
            f"proposal {proposal.id}: found {proposal.status}{by} since {since}; only a proposal that is {wanted} "
            f"can be {status}; nothing was changed"
        )


def check_digest(proposal: Proposal, seen: str | None) -> None:
    """UsageError when the reviewer saw another proposal than the one that is stored."""
    if seen is not None and seen != proposal.digest:
        raise UsageError(
            f"proposal {proposal.id}: found digest {seen}, the stored proposal has {proposal.digest}; "
            "it is not the one that was shown; look at it again and answer then"
        )


def check_person(people: People, by: str, duty: str) -> Person:
    """The person called `by`. UsageError when nobody is, or when the person may not do `duty`."""
    person = people.get(by)
    if person is None:
        known = ", ".join(sorted(people)) or "nobody"
        raise UsageError(
            f"found person {by!r}; wanted one of cell.toml: {known}; add [person.{by}] there or use another"
        )
    if duty not in person.may:
        able = ", ".join(sorted(id for id, other in people.items() if duty in other.may)) or "nobody"
        raise UsageError(
            f'person {by!r} may not {duty}: cell.toml gives may = [{_listed(person.may)}]; wanted "{duty}" in it; '
            f"those who may: {able}"
        )
    return person


def _listed(duties: frozenset[str]) -> str:
    return ", ".join(f'"{duty}"' for duty in sorted(duties))


def _reason(why: str, what: str) -> None:
    if not why.strip():
        raise UsageError(f"{what}: found no reason; wanted one in a few words (--why)")


def _answerable(tx: "Writing", people: People, id: str, by: str, status: str, seen: str | None) -> Proposal:
    check_person(people, by, "review")
    found = _found(tx, id)
    check_change(found, status)
    check_digest(found, seen)
    return found


def _change(tx: "Writing", id: str, status: str, content: Mapping[str, Any]) -> Proposal:
    found = _found(tx, id)
    check_change(found, status)
    tx.append(status, found.machine, {"id": id, "register": found.register, **content})
    return _as_it_stands(tx, id)


def _found(tx: "Writing", id: str) -> Proposal:
    found = queries.proposal(tx.sql, id)
    if found is None:
        live = ", ".join(other.id for other in queries.proposals(tx.sql)) or "none"
        raise UsageError(f"there is no proposal {id!r}; open or accepted now: {live}")
    return found


def _as_it_stands(tx: "Writing", id: str) -> Proposal:
    found = queries.proposal(tx.sql, id)
    assert found is not None
    return found
