"""The ledger on a real PostgreSQL: the contract unchanged, and a server that restarts under it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, inspect, text

from collector.store.ledger import SqlLedger
from collector.store.open import look_at_ledger, open_ledger
from forecaster.domain.errors import ConfigError, LedgerBehind, StoreUnavailable
from forecaster.domain.ports import Ledger
from tests.contracts.ledger_contract import T0, LedgerContract, alarm, delivery, run, transition
from tests.contracts.ledger_tables import LedgerTables
from tests.contracts.ledger_versions import LedgerVersions, held, make_older, shape
from tests.engines import Postgres


class TestPostgresLedger(LedgerContract):
    @pytest.fixture
    def ledger(self, url: str) -> Iterator[Ledger]:
        made = open_ledger(url)
        yield made
        made.close()


@pytest.fixture(scope="module")
def engine(postgres: Postgres) -> Iterator[Engine]:
    made = open_ledger(postgres.empty_database("tables"))
    assert isinstance(made, SqlLedger)
    yield made.engine
    made.close()


class TestPostgresTables(LedgerTables):
    """As on SQLite, and it counts letters."""


class TestPostgresVersions(LedgerVersions):
    @pytest.fixture
    def empty(self, postgres: Postgres) -> Callable[[str], str]:
        return postgres.empty_database


def test_a_look_leaves_an_older_ledger_as_it_is(url: str) -> None:
    """Processes of the older release are at work on it, and would not start on one that was brought up to date."""
    rows, engine = make_older(url, "10"), create_engine(url)
    before = shape(engine)
    with pytest.raises(LedgerBehind, match=r"^[^\n]*older release \(version 10, [^\n]*$"):
        look_at_ledger(url)
    assert (shape(engine), held(engine)) == (before, rows)
    with engine.connect() as connection:
        assert connection.execute(text("SELECT version FROM schema")).scalars().all() == [10]
    engine.dispose()


def test_a_database_that_does_not_keep_utf_8_is_refused_in_a_line(postgres: Postgres) -> None:
    """As a cluster is that was made on a board without a locale: its text came as bytes, and nothing could start."""
    administrator = create_engine(postgres.url, isolation_level="AUTOCOMMIT")
    with administrator.connect() as connection:
        connection.execute(text("CREATE DATABASE plain ENCODING 'SQL_ASCII' LOCALE 'C' TEMPLATE template0"))
    administrator.dispose()
    with pytest.raises(ConfigError) as refused:
        open_ledger(postgres.url.removesuffix("postgres") + "plain")
    said = str(refused.value)
    assert "\n" not in said
    assert "store.ledger: the database 'plain' keeps its text as SQL_ASCII" in said
    assert "ENCODING 'UTF8'" in said


def test_a_look_makes_no_ledger_and_sees_one_of_this_release(url: str) -> None:
    with pytest.raises(LedgerBehind, match="no ledger yet"):
        look_at_ledger(url)
    engine = create_engine(url)
    assert inspect(engine).get_table_names() == []
    engine.dispose()
    open_ledger(url).close()
    look_at_ledger(url).close()


def test_a_restarted_server_loses_nothing_that_was_answered(postgres: Postgres, url: str) -> None:
    """In: runs recorded over two restarts, retried while the server is away. Out: each exactly once."""
    ledger = open_ledger(url)
    for start in range(0, 3000, 100):
        if start in (1000, 2000):
            postgres.stop()
            with pytest.raises(StoreUnavailable):
                ledger.record([run(start)])
            postgres.start()
        ledger.record([run(start)])
    kept = ledger.runs("larkspur", 0, run(10_000).start_ms, 100).runs
    assert [r.start_ms for r in reversed(kept)] == [run(start).start_ms for start in range(0, 3000, 100)]
    ledger.close()


def test_transitions_and_what_they_owe_are_whole_after_restarts(postgres: Postgres, url: str) -> None:
    """In: 200 transitions, each with a delivery, two restarts under them. Out: each of both exactly once."""
    ledger = open_ledger(url)
    for number in range(200):
        if number in (70, 140):
            postgres.stop()
            with pytest.raises(StoreUnavailable):
                ledger.commit_transitions([transition(alarm(number))], [delivery(f"key-{number}")], [])
            postgres.start()
        ledger.commit_transitions([transition(alarm(number))], [delivery(f"key-{number}")], [])
    kept = ledger.transitions("larkspur", 0, 2**53)
    assert sorted(one.alarm.revision for one in kept) == list(range(200))
    owed = ledger.due("mail", T0 + 1_000, 1_000)
    assert sorted(one.key for one in owed) == sorted(f"key-{number}" for number in range(200))
    ledger.close()


def test_several_processes_may_open_a_new_ledger_at_once(url: str) -> None:
    """They take turns at the migration; none fails."""
    opened: list[SqlLedger] = []

    def begin() -> None:
        ledger = open_ledger(url)
        assert isinstance(ledger, SqlLedger)
        opened.append(ledger)

    threads = [threading.Thread(target=begin) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(opened) == 6
    for ledger in opened:
        ledger.close()


def test_a_server_that_is_not_there_is_unavailable(tmp_path: Path) -> None:
    absent = Postgres(tmp_path)
    with pytest.raises(StoreUnavailable):
        open_ledger(absent.url)
