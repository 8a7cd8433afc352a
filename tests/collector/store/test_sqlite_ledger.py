"""The ledger on SQLite: the contract, and what is the file's own."""

from __future__ import annotations

import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import Engine, Float, Table, create_engine, make_url
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, OperationalError
from sqlalchemy.schema import CreateTable

from collector.store.ledger import SqlLedger
from collector.store.ledger_migrations import MIGRATIONS, version_of
from collector.store.ledger_schema import metadata
from collector.store.open import open_ledger, open_store
from collector.store.sqlite_file import back_up
from forecaster.domain.errors import ConfigError, LedgerBehind, StoreError, StoreRefused, StoreUnavailable
from forecaster.domain.ports import Ledger
from forecaster.domain.records import Delivery, StoredForecast
from tests.contracts.ledger_contract import LedgerContract, run
from tests.contracts.ledger_tables import NUMBERED, LedgerTables
from tests.contracts.ledger_versions import LedgerVersions


def url_of(path: Path) -> str:
    return f"sqlite:///{path}"


class TestSqliteLedger(LedgerContract):
    @pytest.fixture
    def ledger(self, tmp_path: Path) -> Iterator[Ledger]:
        made = open_ledger(url_of(tmp_path / "ledger.db"))
        yield made
        made.close()


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    made = open_ledger(url_of(tmp_path_factory.mktemp("tables") / "ledger.db"))
    assert isinstance(made, SqlLedger)
    yield made.engine
    made.close()


class TestSqliteTables(LedgerTables):
    holds_widths = False


class TestSqliteVersions(LedgerVersions):
    @pytest.fixture
    def empty(self, tmp_path: Path) -> Callable[[str], str]:
        return lambda name: url_of(tmp_path / f"{name}.db")


@pytest.mark.parametrize("table", metadata.sorted_tables, ids=lambda table: table.name)
def test_a_server_is_asked_for_numbers_that_hold_what_they_are_given(table: Table) -> None:
    """A float of Python has 53 binary digits (IEEE 754 binary64); a share is told by its member, not counted up."""
    asked = str(CreateTable(table).compile(dialect=make_url("postgresql+psycopg://").get_dialect()()))
    floats = [column for column in table.columns if isinstance(column.type, Float)]
    assert asked.count(f"FLOAT({sys.float_info.mant_dig})") == len(floats)
    assert ("SERIAL" in asked) is (table.name in NUMBERED)


def test_a_ledger_is_there_after_reopening(tmp_path: Path) -> None:
    for _ in range(2):
        ledger = open_ledger(url_of(tmp_path / "ledger.db"))
        ledger.record([run(0)])
        assert ledger.runs("larkspur", 0, run(1).start_ms, 10).runs == (run(0),)
        ledger.close()


def test_a_ledger_that_is_looked_at_is_read_and_not_brought_up(tmp_path: Path) -> None:
    url = url_of(tmp_path / "ledger.db")
    with closing(open_ledger(url)) as made:
        made.note("who", "Ann")
    with closing(SqlLedger(create_engine(url), None, looks=True)) as seen:
        assert seen.noted("who") == "Ann"
        assert seen._read(version_of) == len(MIGRATIONS)
    with sqlite3.connect(tmp_path / "ledger.db") as db:
        db.execute("UPDATE schema SET version = 1")
    db.close()
    for _ in range(2):
        with pytest.raises(LedgerBehind):
            SqlLedger(create_engine(url), None, looks=True)


@pytest.mark.parametrize(
    ("error", "raised"),
    [(DataError, StoreRefused), (IntegrityError, StoreRefused), (OperationalError, StoreUnavailable)],
)
def test_what_a_server_does_not_take_is_refused_and_all_else_is_tried_again(
    tmp_path: Path, error: type[DBAPIError], raised: type[StoreError]
) -> None:
    """The first line of its word."""
    with closing(SqlLedger(create_engine(url_of(tmp_path / "ledger.db")), None)) as ledger:
        said = ledger._error(error("INSERT", {}, ValueError("value too long\nDETAIL: of a column")))
    assert type(said) is raised
    assert str(said).endswith("value too long")


def test_a_ledger_of_the_first_version_is_brought_up_to_date_with_what_it_holds(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    made = open_ledger(url_of(path))
    made.record([run(0)])
    made.publish([StoredForecast("larkspur", 1, "{}", past=False)])
    made.close()
    with sqlite3.connect(path) as db:
        db.executescript(
            "DROP INDEX newest_forecasts_issued; ALTER TABLE newest_forecasts DROP COLUMN brief;"
            "ALTER TABLE held DROP COLUMN owner; UPDATE schema SET version = 1;"
            "DROP INDEX deliveries_of_alarm; ALTER TABLE deliveries DROP COLUMN who;"
            "ALTER TABLE deliveries DROP COLUMN alarm_id; ALTER TABLE deliveries DROP COLUMN revision;"
            "ALTER TABLE deliveries DROP COLUMN rank; ALTER TABLE deliveries DROP COLUMN answered_ms;"
            "ALTER TABLE subscriptions DROP COLUMN token_id;"
            "INSERT INTO deliveries (key, channel, receiver, site, body, created_ms, due_ms, expires_ms, attempts,"
            " gave_up, open) VALUES ('k', 'mail', 'owner', 'larkspur', '{}', 1, 1, 9, 0, 0, 1);"
            "INSERT INTO held (boot, monotonic_s, topic, payload, retained) VALUES ('b', 1.5, 'plug', x'31', 0);"
            "INSERT INTO forecasts VALUES ('larkspur', 7, '{\"kept\": \"plain\"}');"
        )
    db.close()
    for _ in range(2):
        ledger = open_ledger(url_of(path))
        assert ledger.issued() == {"larkspur": 1}
        (held,) = ledger.held(10)
        assert (held.topic, held.payload, held.owner) == ("plug", b"1", "")
        assert ledger.due("mail", 5) == [Delivery("k", "mail", "owner", "larkspur", "{}", 1, 1, 9)]
        assert [f.document for f in ledger.forecasts("larkspur", 0, 10)] == ['{"kept": "plain"}']
        assert ledger.runs("larkspur", 0, run(1).start_ms, 10).runs == (run(0),)
        ledger.close()


def test_a_ledger_of_a_newer_release_is_left_alone(tmp_path: Path) -> None:
    open_ledger(url_of(tmp_path / "ledger.db")).close()
    with sqlite3.connect(tmp_path / "ledger.db") as db:
        db.execute("UPDATE schema SET version = 99")
    db.close()
    with pytest.raises(StoreUnavailable, match="newer release"):
        open_ledger(url_of(tmp_path / "ledger.db"))


def test_a_corrupt_ledger_is_moved_aside_and_said_so(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    path.write_bytes(b"this is no database, far from it" * 999)
    ledger = open_ledger(url_of(path))
    assert "was corrupt" in ledger.health().says
    ledger.record([run(0)])
    ledger.close()


def test_a_locked_ledger_is_unavailable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.store.sqlite_file.BUSY_S", 0.05)
    ledger = open_ledger(url_of(tmp_path / "ledger.db"))
    other = sqlite3.connect(tmp_path / "ledger.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailable, match="locked by another program"):
        ledger.note("a", "b")
    assert ledger.noted("a") is None
    other.execute("ROLLBACK")
    other.close()
    ledger.note("a", "b")
    ledger.close()


def test_many_threads_write_and_read_at_once(tmp_path: Path) -> None:
    ledger = open_ledger(url_of(tmp_path / "ledger.db"))
    failed: list[BaseException] = []

    def work(thread: int) -> None:
        try:
            for i in range(25):
                ledger.record([run(thread * 1000 + i)])
                ledger.runs("larkspur", 0, run(0).start_ms + 10**9, 5)
        except StoreUnavailable as error:
            failed.append(error)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failed
    assert len(ledger.runs("larkspur", 0, run(0).start_ms + 10**9, 1000).runs) == 150
    ledger.close()


def test_a_ledger_is_backed_up_while_in_use(tmp_path: Path) -> None:
    ledger = open_ledger(url_of(tmp_path / "ledger.db"))
    ledger.record([run(i) for i in range(100)])
    back_up(tmp_path / "ledger.db", tmp_path / "copy.db")
    ledger.close()
    copy = open_ledger(url_of(tmp_path / "copy.db"))
    assert len(copy.runs("larkspur", 0, run(0).start_ms + 10**9, 1000).runs) == 100
    copy.close()


@pytest.mark.parametrize("url", ["mongodb://x", "sqlite:///", "nonsense"])
def test_urls_that_lead_nowhere(url: str) -> None:
    with pytest.raises(ConfigError):
        open_ledger(url)
    with pytest.raises(ConfigError):
        open_store(url)
