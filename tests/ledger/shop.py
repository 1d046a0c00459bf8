"""A small shop for the ledger's tests: two people, one proposal, one time to start from."""

from datetime import UTC, datetime, timedelta

from feedback.configuration.facts import Person
from feedback.ledger.store import Writing

MORNING = datetime(2026, 11, 25, 6, 45, 12, tzinfo=UTC)
SETTER = Person(id="op1", name="Operator 1", may=frozenset({"review"}))
FOREMAN = Person(id="fm1", name="Foreman 1", may=frozenset({"review", "release"}))
ENGINEER = Person(id="pe1", name="Process engineer 1", may=frozenset({"limits"}))
PEOPLE = {person.id: person for person in (SETTER, FOREMAN, ENGINEER)}

RADIUS = "tool 5 radius"
CORRECTION = {"register": RADIUS, "now": "-0.012", "change": "-0.006", "new": "-0.018", "cause": "wear"}


def later(hours: float) -> datetime:
    return MORNING + timedelta(hours=hours)


def say(tx: Writing, words: str = "checked") -> int:
    """Append the smallest event there is: a hand change that touches no table."""
    change = {"register": RADIUS, "from": "0", "to": "-0.002", "source": words}
    return tx.append("hand-change", "M1", change)
