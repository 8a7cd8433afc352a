"""What every ReadingStore does. A subclass gives the fixture `store`: an empty store, closed after the test."""

from __future__ import annotations

import math
import random
from bisect import bisect_left
from collections.abc import Sequence
from operator import attrgetter

import pytest

from forecaster.domain.errors import StoreRefused
from forecaster.domain.ports import ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading, SeriesPoint

T0 = 1_772_510_700_000  # 2026-03-03T04:05:00Z, a whole five minutes


def power(at_s: float, value: float, arrived_s: float | None = None, site: str = "larkspur") -> Reading:
    """A pump_power reading `at_s` seconds after T0."""
    arrived = at_s if arrived_s is None else arrived_s
    return Reading(site, Quantity.PUMP_POWER, T0 + round(at_s * 1000), value, T0 + round(arrived * 1000))


def everything(store: ReadingStore, sites: frozenset[str] | None = None, page: int = 7) -> list[Reading]:
    """All that a follower sees who begins at the beginning."""
    found: list[Reading] = []
    cursor = None
    while True:
        tail = store.tail(cursor, page, sites)
        if not tail.readings:
            return found
        found.extend(tail.readings)
        cursor = tail.cursor


def content(store: ReadingStore) -> dict[tuple[str, str, str, int], tuple[float, int]]:
    """What the store holds, by identity; a follower sees each row's last state last."""
    return {r.key: (r.value, r.arrived_ms) for r in everything(store, page=1000)}


def bucketed(readings: Sequence[Reading], points: Sequence[SeriesPoint], end_ms: int) -> list[SeriesPoint]:
    """The batch twin of a picture: the given buckets filled from the readings."""
    edges = [*[p.time_ms for p in points[1:]], end_ms]
    ordered = sorted(readings, key=attrgetter("time_ms"))
    times = [r.time_ms for r in ordered]
    made = []
    for point, edge in zip(points, edges, strict=True):
        values = [r.value for r in ordered[bisect_left(times, point.time_ms) : bisect_left(times, edge)]]
        made.append(SeriesPoint(point.time_ms, len(values), min(values), max(values), sum(values) / len(values)))
    return made


class StoreContract:
    """Subclass, and give the fixture `store`."""

    def test_an_empty_store_answers(self, store: ReadingStore) -> None:
        assert store.count() == 0
        assert store.sites() == []
        assert store.latest("larkspur") == {}
        assert store.series("larkspur", Quantity.PUMP_POWER, 0, T0) == []
        assert store.series("larkspur", Quantity.PUMP_POWER, 0, T0, 10) == []
        assert store.tail(None, 10).readings == ()
        assert store.append([]) == 0
        assert store.prune(T0) == 0
        assert store.health().ok

    def test_what_is_stored_comes_back_whole(self, store: ReadingStore) -> None:
        readings = [
            power(0, 481.25, 1.5),
            Reading("larkspur", Quantity.LOAD_POWER, T0, 12.0, T0 + 20, "router"),
            Reading("larkspur", Quantity.LOAD_POWER, T0, 40.0, T0 + 20, 'freezer, "big" = é'),
            Reading("other-1", Quantity.PACK_TEMPERATURE, T0 + 1, -3.75, T0 - 5),
            Reading("larkspur", Quantity.RAIN_EXPECTED, T0 + 86_400_000, 0.0, T0),
            Reading("larkspur", Quantity.PUMP_ENERGY, T0, 1e10, T0),
            Reading("larkspur", Quantity.PIT_FLOAT, T0, 1.0, T0),
        ]
        assert store.append(readings) == len(readings)
        assert sorted(everything(store), key=lambda r: r.key) == sorted(readings, key=lambda r: r.key)
        assert store.count() == 7
        assert store.count("larkspur") == 6
        assert store.count("nobody") == 0
        assert store.sites() == ["larkspur", "other-1"]
        assert store.latest("larkspur")[Quantity.LOAD_POWER, "router"] == readings[1]
        assert store.latest("other-1") == {(Quantity.PACK_TEMPERATURE, ""): readings[3]}

    def test_an_identical_repeat_is_no_change(self, store: ReadingStore) -> None:
        readings = [power(i, float(i)) for i in range(5)]
        assert store.append(readings) == 5
        before = store.tail(None, 100)
        assert store.append(readings) == 0
        assert store.append([power(2, 2.0, 90.0)]) == 0
        assert store.count() == 5
        assert store.tail(before.cursor, 100).readings == ()

    def test_the_later_arrival_stands_and_at_equal_arrival_the_greater_value(self, store: ReadingStore) -> None:
        assert store.append([power(0, 5.0, 10.0)]) == 1
        assert store.append([power(0, 9.0, 9.0)]) == 0
        assert store.append([power(0, 4.0, 10.0)]) == 0
        assert store.append([power(0, 6.0, 10.0)]) == 1
        assert store.append([power(0, 1.0, 11.0)]) == 1
        assert store.latest("larkspur")[Quantity.PUMP_POWER, ""].value == 1.0
        assert store.count() == 1

    def test_the_same_rule_holds_within_one_batch(self, store: ReadingStore) -> None:
        store.append([power(0, 5.0, 10.0), power(0, 9.0, 9.0), power(0, 6.0, 10.0), power(0, 6.0, 10.0)])
        assert content(store) == {power(0, 6.0).key: (6.0, T0 + 10_000)}

    def test_order_and_repeats_do_not_change_what_is_held(self, store: ReadingStore) -> None:
        rng = random.Random(7)
        readings = [
            power(rng.randrange(12), float(rng.randrange(4)), float(rng.randrange(20)), rng.choice(["a", "b"]))
            for _ in range(150)
        ]
        best: dict[tuple[str, str, str, int], tuple[int, float]] = {}
        for r in readings:
            best[r.key] = max(best.get(r.key, (-1, -1.0)), (r.arrived_ms, r.value))
        for _ in range(3):
            rng.shuffle(readings)
            for start in range(0, len(readings), 11):
                store.append(readings[start : start + 11])
        assert {key: value for key, (value, _) in content(store).items()} == {k: v for k, (_, v) in best.items()}
        assert store.count() == len(best)

    def test_a_follower_sees_every_change_once_and_goes_on_from_its_cursor(self, store: ReadingStore) -> None:
        store.append([power(i, 1.0) for i in range(10)])
        first = store.tail(None, 4)
        assert len(first.readings) == 4
        rest = store.tail(first.cursor, 100)
        assert [r.time_ms for r in (*first.readings, *rest.readings)] == [power(i, 1.0).time_ms for i in range(10)]
        assert store.tail(rest.cursor, 100).readings == ()
        store.append([power(3, 2.0, 50.0), power(-100, 7.0)])
        seen = store.tail(rest.cursor, 100)
        assert {(r.time_ms, r.value) for r in seen.readings} == {(T0 + 3000, 2.0), (T0 - 100_000, 7.0)}
        assert store.tail(seen.cursor, 100).readings == ()

    def test_a_follower_reads_up_to_a_later_cursor(self, store: ReadingStore) -> None:
        store.append([power(i, 1.0) for i in range(10)])
        third, eighth = store.tail(None, 3).cursor, store.tail(None, 8).cursor
        store.append([power(i, 1.0) for i in range(10, 20)])
        first = store.tail(third, 4, until=eighth)
        rest = store.tail(first.cursor, 100, until=eighth)
        times = [r.time_ms for r in (*first.readings, *rest.readings)]
        assert times == [power(i, 1.0).time_ms for i in range(3, 8)]
        assert rest.cursor == eighth
        assert store.tail(eighth, 100, until=third).readings == ()
        assert len(store.tail(rest.cursor, 100).readings) == 12

    def test_a_follower_of_some_sites_sees_only_those(self, store: ReadingStore) -> None:
        store.append([power(i, 1.0, site="ab"[i % 2]) for i in range(20)])
        assert {r.site for r in everything(store, frozenset({"b"}), page=3)} == {"b"}
        assert len(everything(store, frozenset({"b"}), page=3)) == 10
        assert everything(store, frozenset({"nobody"})) == []
        cursor = store.tail(None, 100, frozenset({"b"})).cursor
        store.append([power(100, 1.0, site="a"), power(101, 1.0, site="b")])
        assert [r.time_ms for r in store.tail(cursor, 100, frozenset({"b"})).readings] == [T0 + 101_000]

    def test_a_series_is_half_open_and_in_order(self, store: ReadingStore) -> None:
        store.append([power(i, float(i)) for i in (3, 1, 0, 2)])
        found = store.series("larkspur", Quantity.PUMP_POWER, T0, T0 + 3000)
        assert found == [SeriesPoint(T0 + i * 1000, 1, float(i), float(i), float(i)) for i in range(3)]

    def test_a_subject_is_a_series_of_its_own(self, store: ReadingStore) -> None:
        store.append(
            [
                Reading("larkspur", Quantity.LOAD_POWER, T0, 12.0, T0, "router"),
                Reading("larkspur", Quantity.LOAD_POWER, T0, 40.0, T0, "freezer"),
            ]
        )
        found = store.series("larkspur", Quantity.LOAD_POWER, T0, T0 + 1, subject="freezer")
        assert [p.mean for p in found] == [40.0]

    @pytest.mark.parametrize("points", [1, 2, 7, 60, 500])
    def test_a_picture_keeps_count_mean_and_extremes(self, store: ReadingStore, points: int) -> None:
        rng = random.Random(points)
        readings = [power(rng.randrange(0, 40_000) + rng.random(), rng.gauss(0, 100)) for _ in range(600)]
        for start in range(0, 600, 97):
            store.append(readings[start : start + 97])
        start_ms, end_ms = T0 + 1_234_567, T0 + 35_000_001
        inside = [r for r in readings if start_ms <= r.time_ms < end_ms]
        found = store.series("larkspur", Quantity.PUMP_POWER, start_ms, end_ms, points)
        assert 1 <= len(found) <= points
        assert [p.time_ms for p in found] == sorted({p.time_ms for p in found})
        assert sum(p.count for p in found) == len(inside)
        assert all(start_ms <= p.time_ms < end_ms for p in found)
        assert min(p.low for p in found) == min(r.value for r in inside)
        assert max(p.high for p in found) == max(r.value for r in inside)
        for point, twin in zip(found, bucketed(inside, found, end_ms), strict=True):
            assert (point.low, point.high, point.count) == (twin.low, twin.high, twin.count)
            assert point.mean == pytest.approx(twin.mean)

    def test_a_late_reading_reaches_the_picture(self, store: ReadingStore) -> None:
        store.append([power(i * 10, 1.0) for i in range(4000)])
        span = (T0, T0 + 40_000_000, 20)
        assert max(p.high for p in store.series("larkspur", Quantity.PUMP_POWER, *span)) == 1.0
        store.append([power(5005, 600.0, 39_999.0)])
        found = store.series("larkspur", Quantity.PUMP_POWER, *span)
        assert [p.time_ms for p in found if p.high == 600.0] == [
            max(p.time_ms for p in found if p.time_ms <= T0 + 5_005_000)
        ]

    def test_the_newest_arrival_is_told(self, store: ReadingStore) -> None:
        assert store.newest_arrival_ms() is None
        store.append([power(10, 1.0, arrived_s=11), power(5, 1.0, arrived_s=12, site="b")])
        assert store.newest_arrival_ms() == T0 + 12_000
        store.append([power(600, 1.0, arrived_s=601)])
        assert store.newest_arrival_ms() == T0 + 601_000

    def test_what_is_not_finite_is_refused_and_costs_nothing(self, store: ReadingStore) -> None:
        for value in (math.nan, math.inf, -math.inf):
            with pytest.raises(StoreRefused):
                store.append([power(0, value)])
        assert store.count() == 0
        assert store.append([power(1, 1.0)]) == 1

    def test_pruning_drops_the_old_and_keeps_the_new(self, store: ReadingStore) -> None:
        store.append([power(i * 60, float(i)) for i in range(1000)])
        follower = store.tail(None, 10_000).cursor
        assert store.prune(T0 + 500 * 60_000) == 500
        assert store.count() == 500
        assert store.series("larkspur", Quantity.PUMP_POWER, 0, T0 + 500 * 60_000) == []
        picture = store.series("larkspur", Quantity.PUMP_POWER, T0, T0 + 60_000_000, 9)
        assert sum(p.count for p in picture) == 500
        assert min(p.low for p in picture) == 500.0
        assert store.tail(follower, 10).readings == ()
        store.append([power(99_999, 1.0)])
        assert len(store.tail(follower, 10).readings) == 1

    def test_a_cursor_outlives_a_store_that_was_emptied(self, store: ReadingStore) -> None:
        store.append([power(0, 1.0), power(1, 1.0)])
        cursor = store.tail(None, 10).cursor
        assert store.prune(T0 + 10_000) == 2
        store.append([power(20, 3.0)])
        assert [r.value for r in store.tail(cursor, 10).readings] == [3.0]
