"""Writers that store together: one commit for what waits, counts that add up, and no error that is another's."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest

from collector.store import gathering
from collector.store.gathering import LONGEST_REST_S, MOST, GatheredWrites, rest_s
from collector.store.sqlite import SqliteStore
from forecaster.domain.errors import StoreRefused
from forecaster.domain.readings import Reading
from tests.contracts.store_contract import power
from tests.engines import wait_until

WRITERS = 20
UNLUCKY = 13.0


class Slow(SqliteStore):
    """A store whose first commit takes as long as a test likes. commits : how many readings each had"""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.begun, self.may_end = threading.Event(), threading.Event()
        self.commits: list[int] = []
        self.fault: Exception = StoreRefused("unlucky")

    def append(self, readings: Sequence[Reading]) -> int:
        if not self.begun.is_set():
            self.begun.set()
            self.may_end.wait(60.0)
        if any(reading.value == UNLUCKY for reading in readings):
            raise self.fault
        self.commits.append(len(readings))
        return super().append(readings)


def written(store: Slow, batches: Sequence[Sequence[Reading]]) -> list[Future[int]]:
    """Store batches from a thread each, all but the first brought while that one is written."""
    writes = GatheredWrites(store)
    with ThreadPoolExecutor(len(batches)) as pool:
        futures = [pool.submit(writes.append, batches[0])]
        store.begun.wait(60.0)
        futures += [pool.submit(writes.append, batch) for batch in batches[1:]]
        wait_until(lambda: len(writes._waiting) == len(batches) - 1, "the other writers")
        store.may_end.set()
    return futures


def batch(number: int, count: int, value: float = 1.0) -> list[Reading]:
    """Readings of one writer, at times of its own."""
    return [power(1_000_000 * number + k, value) for k in range(count)]


def test_what_comes_while_one_writes_is_one_commit(tmp_path: Path) -> None:
    """In: twenty writers of three readings each. Out: two commits, sixty rows, each counted once."""
    store = Slow(tmp_path / "outlast.db")
    futures = written(store, [batch(number, 3) for number in range(WRITERS)])
    assert store.commits == [3, 3 * (WRITERS - 1)]
    assert sum(future.result() for future in futures) == store.count() == 3 * WRITERS
    store.close()


def test_a_commit_ends_where_it_is_large(tmp_path: Path) -> None:
    store = Slow(tmp_path / "outlast.db")
    written(store, [batch(number, MOST - 1) for number in range(4)])
    assert store.commits == [MOST - 1, 2 * (MOST - 1), MOST - 1]
    assert store.count() == 4 * (MOST - 1)
    store.close()


def test_commits_take_a_tenth_of_the_time_at_most() -> None:
    assert rest_s(0.0) == 0.0
    assert rest_s(0.01) == pytest.approx(0.09)
    assert rest_s(60.0) == LONGEST_REST_S


def test_enough_for_a_commit_waits_for_no_rest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In: a rest of a day after each commit; then two writers, who have enough only together. Out: they are stored."""
    monkeypatch.setattr(gathering, "rest_s", lambda _took_s: 86_400.0)
    store = Slow(tmp_path / "outlast.db")
    store.may_end.set()
    writes = GatheredWrites(store)
    assert writes.append(batch(0, 1)) == 1
    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(writes.append, batch(1, MOST // 2))
        wait_until(lambda: len(writes._waiting) == 1, "the first writer")
        second = pool.submit(writes.append, batch(2, MOST // 2))
        assert first.result() + second.result() == MOST
    assert store.commits == [1, MOST]
    store.close()


def test_a_refusal_is_told_to_whom_it_belongs(tmp_path: Path) -> None:
    """In: three batches together, one with a reading that the store never takes. Out: the others are stored."""
    store = Slow(tmp_path / "outlast.db")
    first, good, bad, last = written(store, [batch(0, 1), batch(1, 2), batch(2, 2, UNLUCKY), batch(3, 2)])
    with pytest.raises(StoreRefused, match="unlucky"):
        bad.result()
    assert [future.result() for future in (first, good, last)] == [1, 2, 2]
    assert store.count() == 5
    store.close()


def test_a_fault_of_the_program_leaves_nobody_waiting(tmp_path: Path) -> None:
    """In: a store that fails as none should. Out: it is told to whoever wrote, and each other one stores its own."""
    store = Slow(tmp_path / "outlast.db")
    store.fault = ValueError("unlucky")
    futures = written(store, [batch(0, 1), batch(1, 2), batch(2, 2, UNLUCKY), batch(3, 2)])
    failed = [future for future in futures if future.exception() is not None]
    assert futures[2] in failed
    assert len(failed) <= 2
    assert store.count() == 7 - 2 * len(failed)
    store.close()
