"""A ledger of every version that there has been is brought up to date, with all that it holds, on a real database."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import nullcontext
from typing import Any

import pytest
from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Connection,
    Engine,
    Float,
    Integer,
    LargeBinary,
    MetaData,
    create_engine,
    inspect,
    select,
    text,
)

from collector.store.ledger_migrations import MIGRATIONS
from collector.store.open import open_ledger
from forecaster.domain.errors import StoreUnavailable
from tests.upgrade.ledgers import kept

VERSIONS = pytest.mark.parametrize("version", kept())
OVER = json.dumps({"finished_ms": 7})
"""A body of a discharge test that is over; a running one is looked at by migration 5."""


def make_older(url: str, version: str) -> dict[str, list[dict[str, Any]]]:
    """A ledger as that version made it, with two rows in each table. Returns the rows, by table."""
    engine = create_engine(url)
    with engine.begin() as connection:
        for statement in kept()[version][engine.dialect.name]:
            connection.execute(text(statement))
        connection.execute(text(f"INSERT INTO schema (version) VALUES ({version})"))
        for name in _tables(connection):
            table = _reflected(connection, name)
            connection.execute(table.insert(), [{c.name: _value(c, k) for c in table.columns} for k in (1, 2)])
    rows = held(engine)
    engine.dispose()
    return rows


def held(engine: Engine) -> dict[str, list[dict[str, Any]]]:
    """All rows by table, in the order of their keys; without the version."""
    with engine.connect() as connection:
        return {name: _rows(connection, name) for name in _tables(connection)}


def shape(engine: Engine) -> dict[str, Any]:
    """Tables, columns, keys and indexes as the database tells them, whatever their order."""
    asked = inspect(engine)
    return {
        name: {
            "columns": {
                c["name"]: (str(c["type"]), c["nullable"], _bare(c["default"])) for c in asked.get_columns(name)
            },
            "key": asked.get_pk_constraint(name)["constrained_columns"],
            "unique": sorted(tuple(each["column_names"]) for each in asked.get_unique_constraints(name)),
            "indexes": {each["name"]: each["column_names"] for each in asked.get_indexes(name)},
        }
        for name in _whole(engine)
    }


def _bare(default: str | None) -> str | None:
    """A default without quotes: the column's type makes the same value of 0 and '0'."""
    return None if default is None else default.strip("'")


def _tables(connection: Connection) -> list[str]:
    return sorted(_whole(connection) - {"schema"})


def _whole(bind: Engine | Connection) -> set[str]:
    """All tables; not the partitions of one, which have its shape and its rows."""
    found = set(inspect(bind).get_table_names())
    if bind.dialect.name != "postgresql":
        return found
    with bind.connect() if isinstance(bind, Engine) else nullcontext(bind) as connection:
        parts = connection.execute(text("SELECT inhrelid::regclass::text FROM pg_inherits"))
        return found - set(parts.scalars())


def _reflected(connection: Connection, name: str) -> Any:
    metadata = MetaData()
    metadata.reflect(connection, only=[name])
    return metadata.tables[name]


def _rows(connection: Connection, name: str) -> list[dict[str, Any]]:
    table = _reflected(connection, name)
    return [dict(row) for row in connection.execute(select(table).order_by(*table.primary_key)).mappings()]


def _value(column: Column[Any], number: int) -> Any:
    kind = column.type
    if isinstance(kind, Boolean):
        return True
    if isinstance(kind, LargeBinary):
        return bytes([number, 0, 255])
    if isinstance(kind, Float):
        return number / 3.0
    if isinstance(kind, BigInteger | Integer):
        return number
    return OVER if column.name == "body" else f"{number}"


class LedgerVersions:
    """The contract of migrations; a subclass brings `empty`, which makes an empty database and gives its URL."""

    def test_the_newest_version_is_kept(self) -> None:
        """A new migration brings the statements of its version with it (tests/upgrade/ledgers.py)."""
        assert list(kept()) == [str(number) for number in range(1, len(MIGRATIONS) + 1)]

    @VERSIONS
    def test_an_older_ledger_becomes_a_new_one_and_keeps_what_it_holds(
        self, empty: Callable[[str], str], version: str
    ) -> None:
        """In: two rows in each table of that version. Out: the tables of a new ledger, and every row as it was."""
        new, old = empty("new"), empty("old")
        open_ledger(new).close()
        rows = make_older(old, version)
        for _ in range(2):
            open_ledger(old).close()
        made, upgraded = create_engine(new), create_engine(old)
        try:
            assert shape(upgraded) == shape(made)
            found = held(upgraded)
            for name, before in rows.items():
                assert [{key: row[key] for key in before[0]} for row in found[name]] == before, name
            assert all(found[name] == [] for name in found.keys() - rows.keys())
            with upgraded.connect() as connection:
                assert connection.execute(text("SELECT version FROM schema")).scalars().all() == [len(MIGRATIONS)]
        finally:
            made.dispose()
            upgraded.dispose()

    def test_a_ledger_of_a_newer_release_is_refused_in_one_line_and_left(self, empty: Callable[[str], str]) -> None:
        """What a ledger says to a program that went back: how to go on, and nothing in it is changed."""
        url = empty("newer")
        open_ledger(url).close()
        engine = create_engine(url)
        with engine.begin() as connection:
            connection.execute(text("UPDATE schema SET version = 99"))
        before = shape(engine)
        with pytest.raises(StoreUnavailable, match=r"^[^\n]*newer release \(version 99, [^\n]*restore a backup[^\n]*$"):
            open_ledger(url)
        with engine.connect() as connection:
            assert connection.execute(text("SELECT version FROM schema")).scalars().all() == [99]
        assert shape(engine) == before
        engine.dispose()
