"""Partitions by month on a real PostgreSQL: rows end up where their month is, and old months are dropped whole."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import text

from collector.store.ledger import SqlLedger
from collector.store.ledger_migrations import MIGRATIONS
from collector.store.ledger_months import AHEAD, LOCK_S, Partition, partitions
from collector.store.open import open_ledger
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Outage
from tests.contracts.ledger_contract import T0, run
from tests.engines import Postgres

SITE = "larkspur"


@pytest.fixture
def ledger(postgres: Postgres) -> Iterator[SqlLedger]:
    made = opened(postgres.empty_database("months"))
    yield made
    made.close()


def opened(url: str) -> SqlLedger:
    made = open_ledger(url)
    assert isinstance(made, SqlLedger)
    return made


def month(later: int) -> int:
    """When the month that many after this one begins [UTC ms], counted on a calendar day by day."""
    at = datetime.now(UTC).replace(day=15)
    for _ in range(abs(later)):
        at = (at + timedelta(days=31 if later > 0 else -31)).replace(day=15)
    return round(at.replace(day=1, hour=0, minute=0, second=0, microsecond=0).timestamp() * 1000)


def held(ledger: SqlLedger, table: str) -> dict[str, int]:
    """Rows by partition."""
    with ledger.engine.connect() as connection:
        rows = connection.execute(text(f"SELECT tableoid::regclass::text, count(*) FROM {table} GROUP BY 1"))
        return {str(name): int(count) for name, count in rows}


def named(table: str, begin_ms: int) -> str:
    return f"{table}_{datetime.fromtimestamp(begin_ms / 1000, UTC):%Y_%m}"


def put(ledger: SqlLedger, *times_ms: int) -> None:
    """A run and a past forecast at each of these times."""
    ledger.record([run((at - T0) / 1000) for at in times_ms])
    ledger.publish([StoredForecast(SITE, at, "{}") for at in times_ms])


def kept(ledger: SqlLedger) -> tuple[list[int], list[int]]:
    """When the runs and the past forecasts were that are there."""
    runs = ledger.runs(SITE, 0, 2**53, 1000).runs
    return sorted(run.start_ms for run in runs), [f.issued_ms for f in ledger.forecasts(SITE, 0, 2**53)]


def undone(ledger: SqlLedger) -> None:
    """The ledger as the release before the months left it: two plain tables, version and all."""
    with ledger.engine.begin() as connection:
        for table, key in (("events", "site, kind, start_ms, subject"), ("forecasts", "site, issued_ms")):
            connection.execute(text(f"CREATE TABLE plain (LIKE {table} INCLUDING DEFAULTS)"))
            connection.execute(text(f"INSERT INTO plain SELECT * FROM {table}"))
            connection.execute(text(f"DROP TABLE {table}"))
            connection.execute(text(f"ALTER TABLE plain RENAME TO {table}"))
            connection.execute(text(f"ALTER TABLE {table} ADD PRIMARY KEY ({key})"))
        connection.execute(text("UPDATE schema SET version = :older"), {"older": MIGRATIONS.index(MIGRATIONS[-1])})


@pytest.mark.parametrize("table", ["events", "forecasts"])
def test_a_new_ledger_has_this_month_and_the_next_ones(ledger: SqlLedger, table: str) -> None:
    with ledger.engine.connect() as connection:
        found = partitions(connection, table)
    assert found == [Partition(named(table, month(n)), month(n), month(n + 1)) for n in range(AHEAD)]


def test_rows_go_into_their_month_at_its_edges(ledger: SqlLedger) -> None:
    first, next_ = month(0), month(1)
    put(ledger, first - 1, first, next_ - 1, next_)
    for table in ("events", "forecasts"):
        assert held(ledger, table) == {f"{table}_rest": 1, named(table, first): 2, named(table, next_): 1}


def test_what_came_late_gets_its_month_and_far_ones_wait_in_the_rest(ledger: SqlLedger) -> None:
    """A history that is read in afterwards, and a clock that was years ahead."""
    old, far = month(-3), month(60)
    put(ledger, old, old + 1, far)
    ledger.prune(0)
    assert held(ledger, "events") == {named("events", old): 2, "events_rest": 1}
    assert held(ledger, "forecasts") == {named("forecasts", old): 1, "forecasts_rest": 1}, "thinned by its age"
    put(ledger, old + 2)
    assert held(ledger, "events")[named("events", old)] == 3
    assert kept(ledger)[0] == [old, old + 1, old + 2, far]


def test_old_months_are_dropped_whole_and_outages_stay(ledger: SqlLedger) -> None:
    """In: three months, dropped up to the middle of the second. Out: the first is no table any more, its outage is."""
    times = [month(-3) + 5, month(-2) + 5, month(-1) + 5]
    put(ledger, *times)
    outages = [Outage(SITE, month(-3), month(-3) + 9, False), Outage(SITE, month(-2), month(-2) + 9, False)]
    ledger.record(outages)
    ledger.prune(0)
    assert ledger.prune(month(-2) + 1000) == 0, "no row was deleted by itself"
    assert kept(ledger) == (times[1:], times[1:])
    assert ledger.outages(SITE) == outages[::-1]
    with ledger.engine.connect() as connection:
        assert connection.execute(text("SELECT to_regclass(:t)"), {"t": named("events", month(-3))}).scalar() is None
    ledger.prune(month(0))
    assert kept(ledger) == ([], [])
    assert ledger.outages(SITE) == outages[::-1]


def test_a_row_that_comes_after_its_month_was_dropped_goes_by_itself(ledger: SqlLedger) -> None:
    put(ledger, month(-3))
    ledger.prune(month(-2))
    put(ledger, month(-3))
    assert ledger.prune(month(-2)) == 2
    assert kept(ledger) == ([], [])


def test_an_older_ledger_is_divided_where_it_stands(postgres: Postgres) -> None:
    """Its tables become the partition of all that was, up to the end of this month; later rows go into months."""
    url = postgres.empty_database("older")
    older = opened(url)
    times = [month(-20), month(0), month(1) - 1, month(1), month(50)]
    put(older, *times)
    older.record([Outage(SITE, month(-20), month(-20) + 9, False)])
    undone(older)
    with older.engine.connect() as connection:
        was = {t: connection.execute(text(f"SELECT '{t}'::regclass::oid")).scalar() for t in ("events", "forecasts")}
    older.close()
    ledger = opened(url)
    assert kept(ledger) == (times, times)
    assert held(ledger, "forecasts") == {
        "forecasts_before": 3, named("forecasts", month(1)): 1, "forecasts_rest": 1
    }  # fmt: skip
    with ledger.engine.connect() as connection:
        for table, oid in was.items():
            assert connection.execute(text(f"SELECT '{table}_before'::regclass::oid")).scalar() == oid
    assert ledger.prune(month(-19)) == 2, "in that one old rows go one by one, as they did"
    ledger.prune(month(1))
    assert kept(ledger) == ([month(1), month(50)], [month(1), month(50)])
    assert len(ledger.outages(SITE)) == 1
    with ledger.engine.connect() as connection:
        assert connection.execute(text("SELECT to_regclass('events_before')")).scalar() is None
    ledger.close()


def test_a_division_waits_for_whoever_writes(postgres: Postgres) -> None:
    """A process of the older release in a long transaction: the newer one does not give up half-way."""
    url = postgres.empty_database("waited")
    older = opened(url)
    put(older, month(0))
    undone(older)
    made: list[SqlLedger] = []
    opening = threading.Thread(target=lambda: made.append(opened(url)))
    with older.engine.begin() as writer:
        writer.execute(text("UPDATE forecasts SET document = document"))
        opening.start()
        opening.join(2.0 * LOCK_S)
        assert not made
    opening.join()
    assert kept(made[0]) == ([month(0)], [month(0)])
    for ledger in (older, made[0]):
        ledger.close()


def test_a_month_that_is_being_read_is_dropped_later(ledger: SqlLedger) -> None:
    """Whoever copies the ledger holds nobody up for longer than a moment: the drop gives way."""
    put(ledger, month(-3))
    ledger.prune(0)
    with ledger.engine.connect() as reader:
        reader.execute(text("SELECT count(*) FROM events")).scalar()
        with pytest.raises(StoreUnavailable):
            ledger.prune(month(-2))
        put(ledger, month(0))
        reader.rollback()
    ledger.prune(month(-2))
    assert kept(ledger) == ([month(0)], [month(0)])


def test_a_question_about_a_span_asks_its_months_alone(ledger: SqlLedger) -> None:
    put(ledger, *(month(-n) for n in range(12)))
    ledger.prune(0)
    asked = f"SELECT * FROM events WHERE site = '{SITE}' AND start_ms >= {month(-1)} AND start_ms < {month(0)}"
    with ledger.engine.connect() as connection:
        plan = "\n".join(connection.execute(text(f"EXPLAIN {asked}")).scalars())
    assert named("events", month(-1)) in plan
    assert named("events", month(-2)) not in plan
    assert named("events", month(0)) not in plan
