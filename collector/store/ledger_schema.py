"""The ledger's tables. SQLAlchemy Core; SQLite and PostgreSQL alike.

Values that are searched for are columns; all others are JSON in `body`. On PostgreSQL events and past forecasts have
partitions by month since version 11 (`ledger_months`).
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData()

# SQLite counts up by itself only in an INTEGER key, PostgreSQL wants 64 bits
counting = BigInteger().with_variant(Integer(), "sqlite")

schema = Table("schema", metadata, Column("version", Integer, primary_key=True))

events = Table(
    "events",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("kind", String(8), primary_key=True),  # run | gap | transfer | outage
    Column("start_ms", BigInteger, primary_key=True),
    Column("subject", String(64), primary_key=True),  # quantity of a gap; the second pump, where it is about that one
    Column("length_s", Float(53)),  # of a run
    Column("energy_wh", Float(53)),  # of a run
    Column("body", Text, nullable=False),
    postgresql_partition_by="RANGE (start_ms)",
)

newest_forecasts = Table(
    "newest_forecasts",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("issued_ms", BigInteger, nullable=False),
    Column("document", Text, nullable=False),
    Column("brief", Text),  # the document without its long lists, where it has any; since version 2
    Index("newest_forecasts_issued", "site", "issued_ms"),  # read every second, without the documents
)

forecasts = Table(
    "forecasts",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("issued_ms", BigInteger, primary_key=True),
    Column("document", Text, nullable=False),  # plain, or packed as bodies.packed does since version 2
    postgresql_partition_by="RANGE (issued_ms)",
)

checkpoints = Table(
    "checkpoints",
    metadata,
    Column("kind", String(16), primary_key=True),
    Column("site", String(64), primary_key=True),
    Column("cursor", Text),
    Column("taken_ms", BigInteger, nullable=False),
    Column("state", LargeBinary, nullable=False),
)

alarms = Table(
    "alarms",
    metadata,
    Column("id", String(160), primary_key=True),
    Column("site", String(64), nullable=False),
    Column("state", String(32), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("changed_ms", BigInteger, nullable=False),
    Column("cleared_ms", BigInteger),
    Column("body", Text, nullable=False),
    Index("alarms_by_site", "site", "changed_ms"),
)

transitions = Table(
    "transitions",
    metadata,
    Column("id", String(160), primary_key=True),
    Column("revision", Integer, primary_key=True),
    Column("site", String(64), nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("kind", String(16), nullable=False),
    Column("body", Text, nullable=False),
    Index("transitions_by_site", "site", "at_ms"),
)

changes = Table(  # since version 9: transitions in the order in which they were committed
    "changes",
    metadata,
    Column("number", counting, primary_key=True, autoincrement=True),
    Column("id", String(160), nullable=False),
    Column("revision", Integer, nullable=False),
    UniqueConstraint("id", "revision"),
    sqlite_autoincrement=True,
)

deliveries = Table(
    "deliveries",
    metadata,
    Column("key", Text, primary_key=True),
    Column("channel", String(16), nullable=False),
    Column("receiver", Text, nullable=False),
    Column("site", String(64), nullable=False),
    Column("body", Text, nullable=False),
    Column("created_ms", BigInteger, nullable=False),
    Column("due_ms", BigInteger, nullable=False),
    Column("expires_ms", BigInteger, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("last_error", Text),
    Column("done_ms", BigInteger),
    Column("gave_up", Boolean, nullable=False),
    Column("open", Boolean, nullable=False),  # neither done nor given up
    # since version 4: who is told of what, "" for a hub
    Column("who", Text, nullable=False, server_default=""),
    Column("alarm_id", String(160), nullable=False, server_default=""),
    Column("revision", Integer, nullable=False, server_default="0"),
    Column("rank", Integer, nullable=False, server_default="0"),
    Column("answered_ms", BigInteger),
    Index("deliveries_due", "open", "channel", "due_ms"),
    Index("deliveries_oldest", "open", "created_ms"),
    Index("deliveries_of_alarm", "alarm_id"),
    Index("deliveries_of_site", "site", "created_ms"),
)

requests = Table(
    "requests",
    metadata,
    Column("id", counting, primary_key=True, autoincrement=True),
    Column("kind", String(32), nullable=False),
    Column("target", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    sqlite_autoincrement=True,
)

tests = Table(
    "tests",
    metadata,
    Column("id", String(160), primary_key=True),
    Column("site", String(64), nullable=False),
    Column("started_ms", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
    Index("tests_by_site", "site", "started_ms"),
)

tokens = Table(
    "tokens",
    metadata,
    Column("id", String(64), primary_key=True),
    Column("name", Text, nullable=False),
    Column("scope", String(16), nullable=False),
    Column("site", String(64)),
    Column("hashed", Text, nullable=False),
    Column("created_ms", BigInteger, nullable=False),
    Column("last_used_ms", BigInteger),
    Column("revoked_ms", BigInteger),
    Column("ends_ms", BigInteger),  # since version 8
)

sessions = Table(  # since version 5
    "sessions",
    metadata,
    Column("id", String(64), primary_key=True),  # SHA-256 of the cookie's value, which is kept nowhere
    Column("token_id", String(64), nullable=False),
    Column("created_ms", BigInteger, nullable=False),
    Column("expires_ms", BigInteger, nullable=False),
    Index("sessions_of", "token_id"),
)

subscriptions = Table(
    "subscriptions",
    metadata,
    Column("id", String(160), primary_key=True),
    Column("endpoint", Text, nullable=False),
    Column("p256dh", Text, nullable=False),
    Column("auth", Text, nullable=False),
    Column("site", String(64)),
    Column("label", Text, nullable=False),
    Column("created_ms", BigInteger, nullable=False),
    Column("token_id", String(64)),  # since version 4
)

refusals = Table(
    "refusals",
    metadata,
    Column("id", counting, primary_key=True, autoincrement=True),
    Column("site", String(64)),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("arrived_ms", BigInteger, nullable=False),
    Column("reason", Text, nullable=False),
    Index("refusals_by_site", "site"),
    sqlite_autoincrement=True,
)

held = Table(
    "held",
    metadata,
    Column("id", counting, primary_key=True, autoincrement=True),
    Column("boot", String(64), nullable=False),
    Column("monotonic_s", Float(53), nullable=False),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("retained", Boolean, nullable=False),
    Column("owner", String(160), nullable=False, server_default=""),  # since version 2
    sqlite_autoincrement=True,
)

notes = Table(
    "notes",
    metadata,
    Column("name", String(160), primary_key=True),
    Column("value", Text, nullable=False),
)

days = Table(
    "days",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("day", String(10), primary_key=True),  # ISO date, in the site's own time zone
    Column("start_ms", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
)

pump_days = Table(  # since version 10: days of a second pump
    "pump_days",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("pump", String(64), primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("start_ms", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
)

work = Table(
    "work",
    metadata,
    Column("id", String(160), primary_key=True),
    Column("site", String(64), nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
    Index("work_by_site", "site", "at_ms"),
)

studies = Table(
    "studies",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("kind", String(32), primary_key=True),
    Column("as_of_ms", BigInteger, nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("document", Text, nullable=False),
    Column("problem", Text),
)

edits = Table(  # since version 6
    "edits",
    metadata,
    Column("id", counting, primary_key=True, autoincrement=True),
    Column("site", String(64), nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("part", String(64), nullable=False),
    Column("before", Text),
    Column("after", Text),
    Column("undoes", BigInteger),
    Index("edits_by_site", "site", "id"),
    sqlite_autoincrement=True,
)

members = Table(  # since version 7
    "members",
    metadata,
    Column("role", String(16), primary_key=True),
    Column("name", String(128), primary_key=True),
    Column("instance", String(32), nullable=False),  # of the process that goes by this name
    Column("joined_ms", BigInteger, nullable=False),  # by the server's clock, as all times of both tables
    Column("beat_ms", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
)

leases = Table(  # since version 7
    "leases",
    metadata,
    Column("role", String(16), primary_key=True),
    Column("share", Integer, primary_key=True, autoincrement=False),
    Column("number", BigInteger, nullable=False),  # rises whenever the share changes hands
    Column("owner", String(128), nullable=False),
    Column("instance", String(32), nullable=False),
    Column("until_ms", BigInteger, nullable=False),
)

OF_THE_MOMENT = (members, leases)
"""Tables that no backup keeps: they tell who works at the moment."""
