"""The embedded store: the contract, and what is its own."""

from __future__ import annotations

import random
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from collector.store.following import Names, follow
from collector.store.sqlite import SqliteStore
from collector.store.sqlite_file import back_up
from forecaster.domain.errors import StoreRefused, StoreUnavailable
from forecaster.domain.ports import ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from tests.contracts.store_contract import T0, StoreContract, bucketed, content, everything, power


class TestSqlite(StoreContract):
    @pytest.fixture
    def store(self, tmp_path: Path) -> Iterator[ReadingStore]:
        made = SqliteStore(tmp_path / "readings.db")
        yield made
        made.close()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "readings.db"


def test_the_file_is_durable_and_gives_disk_back(path: Path) -> None:
    store = SqliteStore(path)
    pragma = {name: store._db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous")}
    assert pragma == {"journal_mode": "wal", "synchronous": 2}
    assert store._db.execute("PRAGMA auto_vacuum").fetchone()[0] == 2
    strict = dict(store._db.execute("SELECT name, strict FROM pragma_table_list WHERE schema = 'main'").fetchall())
    assert {name for name, on in strict.items() if not on} <= {"sqlite_schema", "sqlite_sequence"}
    store.append([power(i, float(i)) for i in range(60_000)])
    store.close()
    full = path.stat().st_size
    store = SqliteStore(path)
    assert store.prune(T0 + 59_000_000) == 59_000
    assert path.stat().st_size < full / 10
    assert store.count() == 1000
    store.close()


def test_readings_take_few_bytes(path: Path) -> None:
    store = SqliteStore(path)
    for start in range(0, 100_000, 5000):
        store.append([power(10 * i, 480.5, 10 * i + 0.2) for i in range(start, start + 5000)])
    store.close()
    assert path.stat().st_size / 100_000 < 60


def test_what_was_stored_is_there_after_reopening_and_cursors_hold(path: Path) -> None:
    store = SqliteStore(path)
    store.append([power(i, 1.0) for i in range(5)])
    cursor = store.tail(None, 3).cursor
    store.close()
    store = SqliteStore(path)
    assert len(store.tail(cursor, 10).readings) == 2
    assert store.append([power(i, 1.0) for i in range(5)]) == 0
    store.close()


@pytest.mark.parametrize("damage", ["noise", "header", "cut"])
def test_a_corrupt_file_is_moved_aside_and_said_so(path: Path, damage: str) -> None:
    store = SqliteStore(path)
    store.append([power(i, float(i)) for i in range(5000)])
    old_cursor = store.tail(None, 10_000).cursor
    store.close()
    raw = bytearray(path.read_bytes())
    if damage == "noise":
        raw[4096 * 3 : 4096 * 9] = b"\xa5" * (4096 * 6)
    elif damage == "header":
        raw[:16] = b"not a database !"
    else:
        del raw[len(raw) // 2 :]
    path.write_bytes(raw)
    store = SqliteStore(path)
    health = store.health()
    assert health.ok
    assert "was corrupt" in health.says
    assert "moved to readings.db.corrupt-" in health.says
    assert [p for p in path.parent.iterdir() if ".corrupt-" in p.name]
    assert store.count() == 0
    store.append([power(0, 1.0)])
    assert len(store.tail(old_cursor, 10).readings) == 1
    store.close()


def test_a_locked_file_is_unavailable_and_nothing_is_half_written(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.store.sqlite_file.BUSY_S", 0.05)
    store = SqliteStore(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailable, match="locked by another program"):
        store.append([power(0, 1.0)])
    assert store.count() == 0
    other.execute("ROLLBACK")
    other.close()
    assert store.append([power(0, 1.0)]) == 1
    store.close()


def test_a_time_beyond_the_stores_range_is_refused(path: Path) -> None:
    store = SqliteStore(path)
    with pytest.raises(StoreRefused):
        store.append([power(1e30, 1.0)])
    assert store.append([power(0, 1.0)]) == 1
    store.close()


def test_a_write_ahead_log_held_open_is_told_and_folded_in_later(path: Path) -> None:
    store = SqliteStore(path, wal_limit_bytes=200_000)
    store.append([power(0, 1.0)])
    reader = sqlite3.connect(path, isolation_level=None)
    reader.execute("BEGIN")
    reader.execute("SELECT count(*) FROM reading").fetchone()
    store._db.execute("PRAGMA busy_timeout=50")
    for start in range(0, 40_000, 5000):
        store.append([power(i, 1.0) for i in range(start, start + 5000)])
    assert "a reader keeps it open" in store.health().says
    reader.execute("COMMIT")
    reader.close()
    for start in range(40_000, 60_000, 5000):
        store.append([power(i, 1.0) for i in range(start, start + 5000)])
    assert store.health().says == "sound"
    assert path.with_name("readings.db-wal").stat().st_size < 2_000_000
    store.close()


def test_a_write_ahead_log_that_a_reading_of_its_own_holds_is_told(path: Path) -> None:
    store = SqliteStore(path, wal_limit_bytes=20_000)
    store.append([power(i, 1.0) for i in range(5000)])
    reading = store._db.execute("SELECT * FROM reading")
    reading.fetchone()
    store.append([power(i, 2.0) for i in range(5000)])
    assert "a reader keeps it open" in store.health().says
    reading.close()
    store.append([power(i, 3.0) for i in range(5000)])
    assert store.health().says == "sound"
    store.close()


def test_reading_leaves_no_snapshot_open(path: Path) -> None:
    store = SqliteStore(path)
    store.append([power(i, 1.0) for i in range(1000)])
    everything(store)
    store.latest("larkspur")
    store.series("larkspur", Quantity.PUMP_POWER, T0, T0 + 1_000_000, 10)
    busy, _, left = store._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert (busy, left) == (0, 0)
    store.close()


def test_a_backup_made_while_writing_is_whole(path: Path, tmp_path: Path) -> None:
    store = SqliteStore(path)
    store.append([power(i, float(i)) for i in range(20_000)])
    stop = threading.Event()

    def write() -> None:
        at = 20_000
        while not stop.is_set():
            store.append([power(i, 1.0) for i in range(at, at + 10)])
            at += 10

    writer = threading.Thread(target=write)
    writer.start()
    try:
        back_up(path, tmp_path / "copy.db")
    finally:
        stop.set()
        writer.join()
    copy = SqliteStore(tmp_path / "copy.db")
    assert copy.health().says == "sound"
    held = content(copy)
    assert len(held) >= 20_000
    assert all(held[power(i, 0.0).key][0] == float(i) for i in range(0, 20_000, 777))
    copy.close()
    store.close()


def test_two_processes_worth_of_connections_follow_one_writer(path: Path) -> None:
    writer, reader = SqliteStore(path), SqliteStore(path, owner=False)
    cursor = reader.tail(None, 10).cursor
    writer.append([power(0, 1.0)])
    assert [r.value for r in reader.tail(cursor, 10).readings] == [1.0]
    reader.close()
    writer.close()


def test_a_closed_store_says_so(path: Path) -> None:
    store = SqliteStore(path)
    store.close()
    store.close()
    with pytest.raises(StoreUnavailable, match="closed"):
        store.append([power(0, 1.0)])
    with pytest.raises(StoreUnavailable, match="closed"):
        store.count()


def test_a_strange_cursor_is_refused(path: Path) -> None:
    store = SqliteStore(path)
    with pytest.raises(StoreRefused, match="not one of this store's"):
        store.tail("nonsense", 10)
    store.close()


def weeks(rng: random.Random, start_ms: int, count: int) -> list[Reading]:
    """Readings strewn over 40 days from a time on, some of them at the same time as others, with later arrivals."""
    times = [start_ms + 1000 * rng.randrange(40 * 86_400) for _ in range(count)]
    return [
        Reading("larkspur", Quantity.PUMP_POWER, t, float(rng.randrange(900)), t + rng.randrange(10**9)) for t in times
    ]


def check_pictures(store: SqliteStore, start_ms: int) -> None:
    """Pictures of the 40 days at every level against the batch twin."""
    held = [Reading("larkspur", Quantity.PUMP_POWER, key[3], value, 0) for key, (value, _) in content(store).items()]
    for cut_ms, points in ((0, 7), (1_234_567, 60), (-86_400_000, 200), (777, 1000), (3_600_000, 5000)):
        span = (start_ms + cut_ms, start_ms + 40 * 86_400_000 - cut_ms)
        inside = [r for r in held if span[0] <= r.time_ms < span[1]]
        found = store.series("larkspur", Quantity.PUMP_POWER, *span, points)
        assert len(found) <= points
        assert sum(p.count for p in found) == len(inside)
        twin = bucketed(inside, found, span[1])
        assert [(p.time_ms, p.count, p.low, p.high) for p in twin] == [
            (p.time_ms, p.count, p.low, p.high) for p in found
        ]
        assert [p.mean for p in found] == pytest.approx([p.mean for p in twin])


@pytest.mark.parametrize("start_ms", [T0, T0 + 1_111_111, -20 * 86_400_000 + 500])
def test_pictures_by_the_hour_are_exact_before_and_after_late_readings(path: Path, start_ms: int) -> None:
    rng = random.Random(start_ms)
    store = SqliteStore(path)
    for count in (3000, 40, 1, 200, 300):
        store.append(weeks(rng, start_ms, count))
        check_pictures(store, start_ms)
    store.prune(start_ms + 9 * 86_400_000 + 2_000_000)
    check_pictures(store, start_ms)
    store.append(weeks(rng, start_ms, 300))
    check_pictures(store, start_ms)
    store.close()


def test_a_file_without_hours_is_brought_up_to_date_when_it_is_opened(path: Path) -> None:
    rng = random.Random(5)
    store = SqliteStore(path)
    store.append(weeks(rng, T0, 3000))
    store.append(weeks(rng, T0, 100))
    cursor = store.tail(None, 10_000).cursor
    store.close()
    older = sqlite3.connect(path)
    assert older.execute("SELECT count(*) FROM stale").fetchone()[0] > 0
    older.executescript("DROP TABLE hourly; PRAGMA user_version=1;")
    older.close()
    store = SqliteStore(path)
    check_pictures(store, T0)
    assert store.tail(cursor, 10).readings == ()
    store.append(weeks(rng, T0, 400))
    check_pictures(store, T0)
    store.close()
    newer = sqlite3.connect(path)
    newer.execute("PRAGMA user_version=99")
    newer.close()
    with pytest.raises(StoreUnavailable, match="newer release") as refused:
        SqliteStore(path)
    held_open = [file.path for file in psutil.Process().open_files() if file.path.startswith(str(path))]
    assert held_open == [], f"left open while {refused.value} is told"


def test_following_some_sites_reads_in_the_order_of_storing_and_sorts_nothing(tmp_path: Path) -> None:
    """A page costs what lies behind it, not what the followed sites hold: SQLite's own plan says how it reads."""
    store = SqliteStore(tmp_path / "r.db")
    store.append([power(n, 1.0, site=site) for n in range(50) for site in ("a", "b", "c")])
    asked: list[str] = []
    with store._reading() as db:
        db.set_trace_callback(asked.append)
        follow(db, Names(), None, 10, frozenset("ab"))
        db.set_trace_callback(None)
        (query,) = [text for text in asked if "FROM reading" in text]
        plan = " ".join(str(row[3]) for row in db.execute(f"EXPLAIN QUERY PLAN {query}"))
    store.close()
    assert "INTEGER PRIMARY KEY (rowid>?)" in plan
    assert "TEMP B-TREE" not in plan
