"""The tables. `event` is the history and is never changed; every other table is folded from it or is a cache.

Times are integer microseconds UTC, exact values are text, floats are micrometres (millidegrees) where the name says so.
"""

from typing import Final

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Connection,
    Double,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    text,
)

VERSION: Final = "1"

tables = MetaData()

# INTEGER, not BIGINT, makes the key SQLite's own row number and saves an index
_Id = BigInteger().with_variant(Integer, "sqlite")


def _id(name: str = "id") -> Column[int]:
    return Column(name, _Id, primary_key=True, autoincrement=False)


def _text(name: str, *, null: bool = False, key: bool = False) -> Column[str]:
    return Column(name, Text, nullable=null, primary_key=key)


def _whole(name: str, *, null: bool = False) -> Column[int]:
    return Column(name, BigInteger, nullable=null)


def _whole_key(name: str) -> Column[int]:
    return Column(name, BigInteger, nullable=False, primary_key=True, autoincrement=False)


event = Table(
    "event",
    tables,
    _id("seq"),
    _whole("at_us"),
    _text("kind"),
    _text("machine", null=True),
    _text("payload"),
    Column("body", LargeBinary, nullable=True),  # compressed with zlib; the hash is over the text itself
    _text("prev"),
    _text("hash"),
    Index("event_by_kind", "kind", "seq"),
)
store_fact = Table("store_fact", tables, _text("name", key=True), _text("value"))
stream = Table(
    "stream",
    tables,
    _text("id", key=True),
    _text("machine"),
    _text("path"),
    _text("head"),
    _text("tail"),
    _text("digest"),
    _whole("taken"),
    _whole("lines"),
    _text("reader", null=True),
    Column("finished", Boolean, nullable=False),
    _whole("open_part_id", null=True),  # the part that the next line belongs to
    _whole("last_at_us", null=True),  # the time printed last: an undated line between parts belongs there
)
part = Table(
    "part",
    tables,
    _id(),
    _text("machine"),
    _text("stream"),
    _whole("line"),
    _text("part"),
    _text("plan", null=True),
    _whole("at_us"),
    _whole("ended", null=True),  # seq of the event in which the part was complete; NULL while it is open
    Index("part_in_time", "machine", "at_us", "id"),
    Index("part_by_end", "machine", "ended"),
)
measurement = Table(
    "measurement",
    tables,
    _id(),
    _whole("part_id"),
    _text("feature"),
    _whole("line"),
    _text("actual"),
    Column("deviation_um", Double, nullable=False),
    Column("temperature_c", Double, nullable=True),
    _text("doubts", null=True),
    Index("measurement_of_part", "part_id"),
)
register_value = Table(
    "register_value",
    tables,
    _id(),
    _text("machine"),
    _text("register"),
    _text("value"),
    _whole("at_us"),
    _text("stream"),
    _whole("line"),
    _whole("part_id", null=True),
    _whole("seq"),
    Index("register_value_by_register", "machine", "register", "id"),
    Index("register_value_by_event", "machine", "seq"),
)
new_tool = Table(
    "new_tool",
    tables,
    _id(),
    _text("machine"),
    _whole("tool"),
    _whole("at_us"),
    _text("stream"),
    _whole("line"),
    _whole("part_id", null=True),
    _whole("seq"),
    Index("new_tool_by_event", "machine", "seq"),
)
other_record = Table(
    "other_record",
    tables,
    _id(),
    _text("machine"),
    _text("kind"),
    _whole("at_us"),
    _text("stream"),
    _whole("line"),
    _whole("part_id", null=True),
    _text("payload"),
    _whole("seq"),
    Index("other_record_by_kind", "machine", "kind", "id"),
    Index("other_record_by_event", "machine", "seq"),
)
unreadable = Table(
    "unreadable",
    tables,
    _id(),
    _text("machine"),
    _text("stream"),
    _text("path"),
    _whole("line"),
    _whole("column_no"),
    _text("text"),
    _text("reason"),
    _whole("seq"),
    Index("unreadable_by_event", "machine", "seq"),
)
decision = Table(
    "decision",
    tables,
    _text("machine", key=True),
    _text("register", key=True),
    _text("part"),
    _text("answer"),
    _text("cause"),
    _text("payload"),
    _whole("seq"),
)
proposal = Table(
    "proposal",
    tables,
    _text("id", key=True),
    _text("machine"),
    _text("register"),
    _text("status"),
    _text("digest"),
    _text("payload"),
    _whole("opened_part_id", null=True),
    _whole("opened_at_us"),
    _whole("changed_at_us"),
    _text("by_person", null=True),
    _text("note", null=True),
    _whole("seq"),  # of the event that opened it
    _text("doubted", null=True),  # why what it rests on is in doubt
    Index("proposal_by_register", "machine", "register"),
)
register_hold = Table(
    "register_hold",
    tables,
    _text("machine", key=True),
    _text("register", key=True),
    _text("locked", null=True),
    Column("growth_released", Boolean, nullable=False),
)
probe_check = Table(
    "probe_check",
    tables,
    _id(),  # also the number of the doubt that a failed one casts
    _text("machine"),
    _whole("probe"),
    _text("what"),
    _text("artefact", null=True),
    _whole("at_us"),
    _whole("before_part_id"),  # the newest part that began before it: with the time, its place among the parts
    _text("result"),
    Column("set_aside", Boolean, nullable=False),  # a person has answered for its failing
    _text("payload"),
    _whole("seq"),
    Index("probe_check_in_time", "machine", "at_us", "before_part_id"),
)
probe_doubt = Table(
    "probe_doubt",
    tables,
    _id(),
    _text("machine"),
    _whole("probe"),
    _whole("since_us"),
    _whole("since_part_id"),
    _whole("until_us", null=True),
    _whole("until_part_id", null=True),
    _text("words"),
    Column("lifted", Boolean, nullable=False),
    _whole("seq"),
)
probe_state = Table(
    "probe_state",
    tables,
    _text("machine", key=True),
    _whole_key("probe"),
    _text("state"),
    _text("payload"),
    _whole("seq"),
)
checkpoint = Table(
    "checkpoint",
    tables,
    _id(),
    _text("machine"),
    _text("group_key"),
    _text("shape_digest"),
    _whole("part_id", null=True),
    _whole("at_us"),
    _text("snapshot"),  # a cache: made again by whoever wrote it, no event says what it holds
    Index("checkpoint_by_group", "machine", "group_key", "id"),
)

FOLDED: Final = (
    stream, part, measurement, register_value, new_tool, other_record, unreadable, decision, proposal, register_hold,
    probe_check, probe_doubt, probe_state,
)  # fmt: skip

_SQLITE_GUARD = """
CREATE TRIGGER event_is_never_{past} BEFORE {change} ON event
BEGIN SELECT RAISE(ABORT, 'the history is appended to, never changed'); END
"""
# REPLACE deletes without asking the trigger above, so an event may only be added at the end
_SQLITE_APPEND_GUARD = """
CREATE TRIGGER event_is_appended BEFORE INSERT ON event
WHEN NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM event)
BEGIN SELECT RAISE(ABORT, 'the history is appended to, never changed'); END
"""
_POSTGRES_GUARD = (
    """
CREATE FUNCTION refuse_change_of_history() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
IF TG_OP = 'INSERT' THEN
    IF NEW.seq = (SELECT coalesce(max(seq), 0) + 1 FROM event) THEN RETURN NEW; END IF;
END IF;
RAISE EXCEPTION 'the history is appended to, never changed';
END $$
""",
    """
CREATE TRIGGER event_is_never_changed BEFORE UPDATE OR DELETE OR TRUNCATE ON event
FOR EACH STATEMENT EXECUTE FUNCTION refuse_change_of_history()
""",
    """
CREATE TRIGGER event_is_appended BEFORE INSERT ON event
FOR EACH ROW EXECUTE FUNCTION refuse_change_of_history()
""",
)

GUARDS: Final = {
    "sqlite": frozenset({"event_is_never_changed", "event_is_never_removed", "event_is_appended"}),
    "postgresql": frozenset({"event_is_never_changed", "event_is_appended"}),
}


def create(connection: Connection) -> None:
    """Create the tables, and the triggers that keep the history from being changed."""
    tables.create_all(connection)
    for guard in _guards(connection.dialect.name):
        connection.execute(text(guard))


def _guards(dialect: str) -> tuple[str, ...]:
    if dialect == "postgresql":
        return _POSTGRES_GUARD
    changes = (("changed", "UPDATE"), ("removed", "DELETE"))
    return (*(_SQLITE_GUARD.format(past=past, change=change) for past, change in changes), _SQLITE_APPEND_GUARD)
