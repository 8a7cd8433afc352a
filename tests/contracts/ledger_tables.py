"""What the tables of a ledger take and what they refuse, on a real database.

Which columns a row may leave out is written here once more, by what the row stands for: a run that lasts has no length
yet, a delivery that was not sent no end. The widths are those of what is kept there: a site's id has at most 64 letters
(`Site.id`), an alarm's id is a site, a kind and a moment and stays below 160.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Engine,
    Float,
    Integer,
    LargeBinary,
    String,
    Table,
    inspect,
    select,
)
from sqlalchemy.exc import DataError, IntegrityError

from collector.store.ledger_schema import metadata

WIDTHS = {
    "site": 64, "subject": 64, "pump": 64, "token_id": 64, "part": 64, "boot": 64,
    "alarm_id": 160, "owner": 160, "channel": 16, "role": 16, "scope": 16, "instance": 32, "day": 10,
    "events.kind": 8, "checkpoints.kind": 16, "transitions.kind": 16, "requests.kind": 32, "studies.kind": 32,
    "alarms.id": 160, "alarms.state": 32, "transitions.id": 160, "changes.id": 160, "tests.id": 160,
    "subscriptions.id": 160, "work.id": 160, "tokens.id": 64, "sessions.id": 64, "notes.name": 160,
    "members.name": 128, "leases.owner": 128,
}  # fmt: skip
"""The longest text of a column [letters], by table and column, or by column where it is the same in each table."""

MAY_BE_MISSING = {
    "events": {"length_s", "energy_wh"},  # a gap or a transfer has neither
    "newest_forecasts": {"brief"},
    "checkpoints": {"cursor"},
    "alarms": {"cleared_ms"},
    "deliveries": {"last_error", "done_ms", "answered_ms"},
    "tokens": {"site", "last_used_ms", "revoked_ms", "ends_ms"},
    "subscriptions": {"site", "token_id"},
    "refusals": {"site"},
    "studies": {"problem"},
    "edits": {"before", "after", "undoes"},
}
"""The columns that a row may leave empty; every other one is refused without a value."""

KEYS = {
    "schema": ["version"],
    "events": ["site", "kind", "start_ms", "subject"],
    "newest_forecasts": ["site"],
    "forecasts": ["site", "issued_ms"],
    "checkpoints": ["kind", "site"],
    "transitions": ["id", "revision"],
    "changes": ["number"],
    "deliveries": ["key"],
    "notes": ["name"],
    "days": ["site", "day"],
    "pump_days": ["site", "pump", "day"],
    "studies": ["site", "kind"],
    "members": ["role", "name"],
    "leases": ["role", "share"],
}
"""What tells one row from another, where it is not `id` alone."""

LEFT_OUT: dict[str, dict[str, Any]] = {
    "deliveries": {"who": "", "alarm_id": "", "revision": 0, "rank": 0},
    "held": {"owner": ""},
}
"""What a row of an older release, which does not know these columns, has in them."""

COUNTED = {"changes": "number", "requests": "id", "refusals": "id", "held": "id", "edits": "id"}
"""Tables whose rows are numbered by the database, and never with a number that was given before."""

NUMBERED = COUNTED | {"schema": "version"}
"""Those whose key a database fills in by itself; the one of `schema` is always given."""


def width(table: Table, column: str) -> int | None:
    """The longest text of a column [letters]; None where it has no end."""
    return WIDTHS.get(f"{table.name}.{column}", WIDTHS.get(column))


def full_row(table: Table) -> dict[str, Any]:
    """A row with every column filled, each text as long as it may be."""
    return {column.name: _value(table, column) for column in table.columns}


def _value(table: Table, column: Column[Any]) -> Any:
    kind = column.type
    if isinstance(kind, Boolean):
        return True
    if isinstance(kind, LargeBinary):
        return b"\x00\xff"
    if isinstance(kind, Float):
        return 1.0 + sys.float_info.epsilon
    if isinstance(kind, String):
        return "x" * (width(table, column.name) or 2000)
    return 7 if isinstance(kind, Integer) and column.name.endswith(("version", "share", "revision")) else 2**31 - 1


@contextmanager
def taken_back(engine: Engine) -> Iterator[Connection]:
    """A connection whose work is undone at the end."""
    with engine.connect() as connection, connection.begin() as whole:
        yield connection
        whole.rollback()


def refused(connection: Connection, table: Table, row: dict[str, Any]) -> bool:
    """Whether a row is refused; what was there before stays."""
    try:
        with connection.begin_nested():
            connection.execute(table.insert().values(row))
    except (IntegrityError, DataError):
        return True
    return False


TABLES = pytest.mark.parametrize("table", metadata.sorted_tables, ids=lambda table: table.name)


class LedgerTables:
    """The contract of the tables; a subclass brings `engine`, of a ledger that was made by `open_ledger`."""

    holds_widths = True
    """Whether the database refuses a text that is too long (SQLite takes any)."""

    @TABLES
    def test_the_database_has_the_columns_as_they_are_meant(self, engine: Engine, table: Table) -> None:
        missing = MAY_BE_MISSING.get(table.name, set())
        found = {column["name"]: column for column in inspect(engine).get_columns(table.name)}
        assert inspect(engine).get_pk_constraint(table.name)["constrained_columns"] == KEYS.get(table.name, ["id"])
        assert {name for name, column in found.items() if column["nullable"]} == missing
        lengths = {name: getattr(column["type"], "length", None) for name, column in found.items()}
        assert lengths == {name: width(table, name) for name in found}

    @TABLES
    def test_a_row_with_the_longest_texts_is_kept_as_it_is(self, engine: Engine, table: Table) -> None:
        row = full_row(table)
        with taken_back(engine) as connection:
            connection.execute(table.delete())
            connection.execute(table.insert().values(row))
            assert dict(connection.execute(select(table)).mappings().one()) == row
            assert refused(connection, table, row), "the same key again"
            key = KEYS.get(table.name, ["id"])[0]
            other = {key: "other" if isinstance(row[key], str) else 5}
            if table.name != "changes":  # a change is one revision of one alarm, under whatever number
                assert not refused(connection, table, row | other)
            else:
                assert refused(connection, table, row | other)

    @TABLES
    def test_what_may_be_missing_may_and_nothing_else(self, engine: Engine, table: Table) -> None:
        row = full_row(table)
        with taken_back(engine) as connection:
            connection.execute(table.delete())
            for column in table.columns:
                if NUMBERED.get(table.name) != column.name and column.name not in MAY_BE_MISSING.get(table.name, set()):
                    assert refused(connection, table, row | {column.name: None}), column.name
            connection.execute(table.insert().values(row | dict.fromkeys(MAY_BE_MISSING.get(table.name, ()))))

    @TABLES
    def test_a_longer_text_is_refused_where_the_database_counts(self, engine: Engine, table: Table) -> None:
        row = full_row(table)
        bounded = [column.name for column in table.columns if width(table, column.name) is not None]
        with taken_back(engine) as connection:
            connection.execute(table.delete())
            for name in bounded:
                assert refused(connection, table, row | {name: row[name] + "x"}) is self.holds_widths, name
                connection.execute(table.delete())

    @pytest.mark.parametrize("name", LEFT_OUT)
    def test_a_row_of_an_older_release_has_the_empty_values(self, engine: Engine, name: str) -> None:
        table, left = metadata.tables[name], LEFT_OUT[name]
        row = {key: value for key, value in full_row(table).items() if key not in left}
        with taken_back(engine) as connection:
            connection.execute(table.delete())
            connection.execute(table.insert().values(row))
            found = connection.execute(select(table)).mappings().one()
            assert {key: found[key] for key in left} == left

    @pytest.mark.parametrize("name", COUNTED)
    def test_a_number_is_given_once_for_ever(self, engine: Engine, name: str) -> None:
        """The follower of a table would take a number that is given again for one that it has seen."""
        table, number = metadata.tables[name], COUNTED[name]
        row = {key: value for key, value in full_row(table).items() if key != number}
        with taken_back(engine) as connection:
            given = []
            for _ in range(2):
                made = connection.execute(table.insert().values(row)).inserted_primary_key
                assert made is not None
                given.append(made[0])
                connection.execute(table.delete())
            assert given[1] > given[0]
