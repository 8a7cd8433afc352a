"""One cursor for all sites: every reading is folded exactly once, in order, wherever each site had stopped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.store.sqlite import SqliteStore
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.ports import ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.live.cursor import StoreCursor

SITES = ("a", "b", "c", "d")
START_MS = 1_772_510_700_000


def reading(number: int) -> Reading:
    at_ms = START_MS + number * 1000
    return Reading(SITES[number % len(SITES)], Quantity.PUMP_POWER, at_ms, float(number), at_ms)


def never() -> bool:
    return False


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    made = SqliteStore(tmp_path / "readings.db")
    yield made
    made.close()


def cursor_after(store: ReadingStore, count: int) -> str | None:
    return store.tail(None, count).cursor if count else None


def test_sites_that_stopped_at_different_places_go_on_together(store: SqliteStore) -> None:
    store.append([reading(n) for n in range(400)])
    stopped = {"a": 0, "b": 100, "c": 100, "d": 313}
    cursor = StoreCursor(store, {site: cursor_after(store, count) for site, count in stopped.items()})
    found: list[Reading] = []
    cursor.catch_up(found.extend, never)
    store.append([reading(n) for n in range(400, 500)])
    while cursor.step(found.extend):
        pass
    for site, count in stopped.items():
        mine = [r for r in found if r.site == site]
        assert mine == [r for n in range(count, 500) if (r := reading(n)).site == site]


def test_no_span_is_read_twice(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """In: 400 readings, and four sites that stopped at 0, 100, 200 and 300. Out: each place of the store read once."""
    store.append([reading(n) for n in range(400)])
    starts = {site: cursor_after(store, 100 * number) for number, site in enumerate(SITES)}
    look, spans = store.tail, list[tuple[int, int]]()

    def place(cursor: str | None) -> int:
        return 0 if cursor is None else int(cursor.rpartition(".")[2])

    def tail(
        cursor: str | None, limit: int, sites: frozenset[str] | None = None, *, until: str | None = None
    ) -> object:
        found = look(cursor, limit, sites, until=until)
        spans.append((place(cursor), place(found.cursor)))
        return found

    monkeypatch.setattr(store, "tail", tail)
    cursor = StoreCursor(store, dict(reversed(starts.items())))
    found: list[Reading] = []
    cursor.catch_up(found.extend, never)
    assert [span for span in spans if span[0] < span[1]] == [(0, 100), (100, 200), (200, 300), (300, 400)]
    assert found == [r for n in range(400) if SITES.index((r := reading(n)).site) * 100 <= n]
    assert [lot.sites for lot in cursor.standing()] == [frozenset(SITES)]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    stops=st.lists(st.integers(0, 60), min_size=4, max_size=4),
    arriving=st.lists(st.integers(0, 9), min_size=12, max_size=12),
    batch=st.integers(1, 40),
)
def test_whatever_arrives_meanwhile_is_folded_once(
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
    stops: list[int],
    arriving: list[int],
    batch: int,
) -> None:
    """Readings arrive before every look at the store, also while lots are caught up and joined."""
    monkeypatch.setattr("forecaster.live.cursor.BATCH", batch)
    store = SqliteStore(tmp_path_factory.mktemp("cursor") / "readings.db")
    try:
        store.append([reading(n) for n in range(60)])
        held, waiting = 60, list(arriving)
        look = store.tail

        def tail(
            cursor: str | None, limit: int, sites: frozenset[str] | None = None, *, until: str | None = None
        ) -> object:
            nonlocal held
            more = waiting.pop(0) if waiting else 0
            store.append([reading(n) for n in range(held, held + more)])
            held += more
            return look(cursor, limit, sites, until=until)

        cursor = StoreCursor(
            store, {site: cursor_after(store, count) for site, count in zip(SITES, stops, strict=True)}
        )
        monkeypatch.setattr(store, "tail", tail)
        found: list[Reading] = []
        cursor.catch_up(found.extend, never)
        while cursor.step(found.extend) or waiting:
            pass
        for site, count in zip(SITES, stops, strict=True):
            mine = [r for r in found if r.site == site]
            assert mine == [r for n in range(count, held) if (r := reading(n)).site == site]
        assert [lot.sites for lot in cursor.standing()] == [frozenset(SITES)]
    finally:
        monkeypatch.undo()
        store.close()


def test_where_sites_stand_is_told_only_when_it_is_exact(store: SqliteStore) -> None:
    """On a store of several collectors places need not be before or after one another, so that groups do not meet."""
    store.append([reading(n) for n in range(8)])
    cursor = StoreCursor(store, {"a": None, "b": cursor_after(store, 4)})
    assert {(lot.sites, lot.cursor) for lot in cursor.standing()} == {
        (frozenset("a"), None),
        (frozenset("b"), cursor_after(store, 4)),
    }
    looks = 0
    look = store.tail

    def tail(
        cursor: str | None, limit: int, sites: frozenset[str] | None = None, *, until: str | None = None
    ) -> object:
        nonlocal looks
        looks += 1
        store.append([reading(9 + 4 * looks)])
        return look(cursor, limit, sites, until=until and None)  # as where places are not to be compared

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(store, "tail", tail)
        cursor.catch_up(lambda _: None, never)
    assert cursor.standing() == [], "b has had readings that a has not"
    cursor.step(lambda _: None)
    (lot,) = cursor.standing()
    assert lot.sites == frozenset("ab")


def test_a_batch_that_was_folded_is_not_folded_again_when_writing_failed(store: SqliteStore) -> None:
    store.append([reading(n) for n in range(40)])
    cursor = StoreCursor(store, dict.fromkeys(SITES))
    found: list[Reading] = []

    def fails(readings: Sequence[Reading]) -> None:
        found.extend(readings)
        raise StoreUnavailable("the ledger is locked")

    with pytest.raises(StoreUnavailable):
        cursor.catch_up(fails, never)
    cursor.catch_up(found.extend, never)
    cursor.step(found.extend)
    assert found == [reading(n) for n in range(40)]


@pytest.mark.parametrize("looks", range(1, 12))
def test_sites_that_leave_while_they_catch_up_leave_the_others_in_their_place(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch, looks: int
) -> None:
    """In: one that had read nothing, and leaves after so many looks; one that had read half. Out: the rest, once."""
    monkeypatch.setattr("forecaster.live.cursor.BATCH", 5)
    store.append([reading(n) for n in range(80)])
    cursor = StoreCursor(store, {"a": None, "b": cursor_after(store, 40)})
    found: list[Reading] = []
    batches = cursor.batches(found.extend)
    for _ in range(looks):
        next(batches, None)
    cursor.leave({"a"})
    list(batches)
    while cursor.step(found.extend):
        pass
    assert [r for r in found if r.site == "b"] == [reading(n) for n in range(41, 80, 4)]


def test_a_share_without_sites_follows_nothing(store: SqliteStore) -> None:
    store.append([reading(n) for n in range(8)])
    cursor = StoreCursor(store, {})
    found: list[Reading] = []
    cursor.catch_up(found.extend, never)
    assert not cursor.step(found.extend)
    assert found == []
