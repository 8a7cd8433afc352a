"""Readings by the hour on a real InfluxDB: what they hold is compared with pandas, and they outlive the readings."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from collector.store.influx import InfluxStore
from collector.store.influx_server import InfluxServer, parse_address
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading, SeriesPoint
from forecaster.domain.times import DAY_MS, HOUR_MS
from tests.collector.store.test_influx import Opened, SteadyClock
from tests.engines import Influx, running_influx

DAY_S = 86_400
LONG, SHORT = 400 * DAY_S, 7 * DAY_S


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    with running_influx(tmp_path_factory.mktemp("influx")) as server:
        yield server


@pytest.fixture
def opened(influx: Influx, tmp_path: Path, request: pytest.FixtureRequest) -> Opened:
    return Opened(influx, request.node.name.split("[")[0][:60], tmp_path)


def begun_ms() -> int:
    """The start of the hour twenty days ago [ms]."""
    return (int(time.time() * 1000) - 20 * DAY_MS) // HOUR_MS * HOUR_MS


def twenty_days(start_ms: int, site: str = "larkspur") -> list[Reading]:
    """A reading every 13 minutes, of two series; eighths, so that sums are exact in any order."""
    values = np.random.default_rng(3).integers(0, 4000, 2 * 2200).reshape(2, -1) / 8
    kinds = ((Quantity.PUMP_POWER, ""), (Quantity.LOAD_POWER, 'the "old" freezer'))
    return [
        Reading(site, quantity, start_ms + n * 13 * 60_000, float(value), start_ms + 30 * DAY_MS, subject)
        for (quantity, subject), row in zip(kinds, values, strict=True)
        for n, value in enumerate(row)
    ]


def by_pandas(readings: list[Reading], width_ms: int, origin_ms: int, end_ms: int) -> list[SeriesPoint]:
    """The same buckets by `pandas.DataFrame.resample`."""
    frame = pd.DataFrame({"value": [r.value for r in readings]}, index=[r.time_ms for r in readings])
    frame = frame[frame.index < end_ms]
    frame.index = pd.to_datetime(frame.index, unit="ms")
    origin = pd.Timestamp(origin_ms, unit="ms")
    told = frame.value.resample(f"{width_ms}ms", origin=origin).agg(["count", "min", "max", "mean"])
    told = told[told["count"] > 0]
    return [
        SeriesPoint(int(at.value // 1_000_000), int(n), low, high, mean) for at, n, low, high, mean in told.itertuples()
    ]


def close_to(found: list[SeriesPoint], wanted: list[SeriesPoint]) -> None:
    """The same buckets: exact but for the last bits of a mean."""
    assert [replace(p, mean=0.0) for p in found] == [replace(p, mean=0.0) for p in wanted]
    assert [p.mean for p in found] == pytest.approx([p.mean for p in wanted], rel=1e-12)


def of_pump(readings: list[Reading]) -> list[Reading]:
    return [r for r in readings if r.quantity is Quantity.PUMP_POWER]


def aged(opened: Opened, readings: list[Reading], collector: str = "house") -> InfluxStore:
    """A store in which these were summed up, and which keeps readings for a week from now on: the rest is deleted."""
    store = opened.open(collector, keep_s=LONG, hours_keep_s=10 * LONG)
    store.append(readings)
    store.prune(0)
    store.close()
    return without_old(opened, collector)


def without_old(opened: Opened, collector: str = "house") -> InfluxStore:
    """The store with a week of readings; the server looks at its retention every half hour, so the old go by hand."""
    store = opened.open(collector, keep_s=SHORT, hours_keep_s=10 * LONG)
    server = InfluxServer(parse_address(f"{opened.influx.url}/{opened.bucket}"))
    server.query(f"DELETE FROM reading WHERE time < {int(time.time()) - SHORT}s")
    server.close()
    return store


def hours_hold(opened: Opened, site: str, start_ms: int, readings: list[Reading]) -> None:
    """Once the readings are gone, each hour of a site's twenty days is what pandas makes of them."""
    after = without_old(opened)
    end_ms = start_ms + 20 * 24 * HOUR_MS
    found = after.series(site, Quantity.PUMP_POWER, start_ms, end_ms, 480)
    close_to(found, by_pandas([r for r in of_pump(readings) if r.site == site], HOUR_MS, start_ms, end_ms))
    after.close()


@pytest.mark.parametrize("points", [480, 96, 37, 5])
def test_a_picture_of_the_past_is_what_the_readings_were(opened: Opened, points: int) -> None:
    """Twenty days of which only a week is left as readings: buckets of whole hours equal those of pandas."""
    start_ms = begun_ms()
    readings = twenty_days(start_ms)
    store = aged(opened, readings)
    width_ms = -(-20 * 24 // points) * HOUR_MS
    end_ms = start_ms + points * width_ms
    found = store.series("larkspur", Quantity.PUMP_POWER, start_ms, end_ms, points)
    close_to(found, by_pandas(of_pump(readings), width_ms, start_ms, end_ms))
    assert len(found) <= points
    named = store.series("larkspur", Quantity.LOAD_POWER, start_ms, end_ms, points, 'the "old" freezer')
    close_to(named, by_pandas([r for r in readings if r.subject], width_ms, start_ms, end_ms))
    assert store.series("briar", Quantity.PUMP_POWER, start_ms, end_ms, points) == []
    store.close()


def test_a_fine_picture_of_the_past_is_made_of_hours(opened: Opened) -> None:
    """Six hours of a day whose readings are gone, asked for by the minute: each whole hour, and never more than asked;
    what is younger than the retention is drawn from readings as ever."""
    start_ms = begun_ms()
    readings = twenty_days(start_ms)
    store = aged(opened, readings)
    asked_ms = start_ms + 2 * DAY_MS + 25 * 60_000
    found = store.series("larkspur", Quantity.PUMP_POWER, asked_ms, asked_ms + 6 * HOUR_MS, 360)
    whole = [r for r in of_pump(readings) if r.time_ms >= start_ms + 2 * DAY_MS + HOUR_MS]
    hours = by_pandas(whole, HOUR_MS, start_ms, start_ms + 2 * DAY_MS + 7 * HOUR_MS)
    close_to([replace(p, time_ms=p.time_ms - 25 * 60_000 + HOUR_MS) for p in found], hours)
    young_ms = start_ms + 15 * DAY_MS
    fine = store.series("larkspur", Quantity.PUMP_POWER, young_ms, young_ms + 6 * HOUR_MS, 360)
    assert len(fine) == len([r for r in of_pump(readings) if young_ms <= r.time_ms < young_ms + 6 * HOUR_MS])
    assert store.series("larkspur", Quantity.PUMP_POWER, asked_ms, asked_ms + HOUR_MS) == [], (
        "no single reading is left"
    )
    store.close()


def test_what_comes_late_is_counted_in_its_hour(opened: Opened) -> None:
    """A plug that was away for two days uploads them after their hours were summed up; the program is restarted before
    it looks at them again. Another site's hours stay as they are."""
    start_ms = begun_ms()
    readings = twenty_days(start_ms) + twenty_days(start_ms, "briar")
    away = [r for r in readings if r.site == "larkspur" and 3 * DAY_MS <= r.time_ms - start_ms < 5 * DAY_MS]
    store = opened.open(keep_s=LONG, hours_keep_s=10 * LONG)
    store.append([r for r in readings if r not in away])
    store.prune(0)
    store.append(away)
    store.close()
    again = opened.open(keep_s=LONG, hours_keep_s=10 * LONG)
    again.prune(0)
    again.close()
    for site in ("larkspur", "briar"):
        hours_hold(opened, site, start_ms, readings)


def test_a_server_that_is_away_is_asked_again(opened: Opened) -> None:
    """Away while hours are summed up: nothing is lost, neither what was due nor what had come late."""
    start_ms = begun_ms()
    readings = twenty_days(start_ms)
    first, late = readings[:1000], readings[1000:]
    store = opened.open(keep_s=LONG, hours_keep_s=10 * LONG)
    store.append(first)
    store.prune(0)
    store.append(late)
    opened.influx.stop()
    with pytest.raises(StoreUnavailable):
        store.prune(0)
    opened.influx.start()
    store.prune(0)
    store.close()
    hours_hold(opened, "larkspur", start_ms, readings)


def test_two_collectors_sum_up_what_either_wrote(opened: Opened) -> None:
    """Each knows only what it wrote itself was late: a site whose share moved is right all the same."""
    start_ms = begun_ms()
    readings = twenty_days(start_ms)
    first = opened.open("house-1-2", keep_s=LONG, hours_keep_s=10 * LONG)
    second = opened.open("house-2-2", keep_s=LONG, hours_keep_s=10 * LONG)
    first.append(readings[::2])
    first.prune(0)
    second.append(readings[1::2])
    second.prune(0)
    first.close()
    second.close()
    hours_hold(opened, "larkspur", start_ms, readings)


def test_an_hour_is_summed_up_when_it_is_over(opened: Opened) -> None:
    """The hour under way is left alone until the next look; the long past of an older installation comes bit by bit."""
    start_ms = begun_ms()
    clock = SteadyClock()
    opened.clock = clock
    store = opened.open(keep_s=LONG, hours_keep_s=10 * LONG)
    now_ms = clock.now_ms()
    moments = (start_ms - 40 * DAY_MS, start_ms, now_ms)
    store.append([Reading("larkspur", Quantity.PUMP_POWER, moment, 8.0, now_ms) for moment in moments])
    hours = InfluxServer(parse_address(f"{opened.influx.url}/{opened.bucket}_hours"))
    counts = []
    for _ in range(3):
        store.prune(0)
        counts.append(sum(int(str(r["n"])) for t in hours.query("SELECT n FROM hour") for r in t.rows))
    assert counts == [1, 2, 2], "a month at a time, and that of now is not"
    clock.ahead_ms = HOUR_MS
    store.prune(0)
    assert sum(int(str(r["n"])) for t in hours.query("SELECT n FROM hour") for r in t.rows) == 3
    hours.close()
    store.close()


def test_no_hours_where_the_readings_are_kept_as_long(opened: Opened) -> None:
    store = opened.open(keep_s=LONG, hours_keep_s=LONG)
    store.append(twenty_days(begun_ms())[:10])
    store.prune(0)
    store.close()
    server = InfluxServer(parse_address(f"{opened.influx.url}/{opened.bucket}"))
    names = {row["name"] for table in server.query("SHOW DATABASES") for row in table.rows}
    assert opened.bucket in names
    assert f"{opened.bucket}_hours" not in names
    server.close()
