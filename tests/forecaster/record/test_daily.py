"""The daily table, added up from real stores: calendar days, whole waits, running hours, what the pack gave."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.store.open import open_ledger, open_store
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Gap, Outage, Run, Supply
from forecaster.domain.site import Channel, Pit, Site
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.record.daily import bounds, fresh_days, late_days
from forecaster.record.studying import add_up_days
from tests.forecaster.evidence import LARKSPUR

CHANNELS = tuple(
    Channel(quantity, f"cellar/{quantity.value}")
    for quantity in (Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.RAIN_DEPTH, Quantity.PACK_TEMPERATURE)
)
SITE = replace(LARKSPUR, timezone="America/Chicago", pit=Pit(0.166, 0.18, 0.3), channels=CHANNELS)
MIDNIGHT = int(datetime(2026, 3, 7, 6, tzinfo=UTC).timestamp() * 1000)  # of 7 March in Chicago, a day before the change


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[tuple[ReadingStore, Ledger]]:
    store, ledger = open_store(f"sqlite:///{tmp_path / 'r.db'}"), open_ledger(f"sqlite:///{tmp_path / 'l.db'}")
    yield store, ledger
    store.close()
    ledger.close()


def run(start_ms: int, run_s: float, supply: Supply = Supply.MAINS) -> Run:
    stop_ms = start_ms + round(run_s * 1000)
    energy = 480.0 * run_s / 3600.0
    return Run(SITE.id, start_ms, stop_ms, energy, 480.0, 500.0, Quantity.PUMP_POWER, supply, 5)


def reading(quantity: Quantity, at_ms: int, value: float) -> Reading:
    return Reading(SITE.id, quantity, at_ms, value, at_ms)


def newest_of(ledger: Ledger) -> int:
    newest = ledger.newest_day(SITE.id)
    assert newest is not None
    return newest


def days_at(site: Site, stores: tuple[ReadingStore, Ledger], now_ms: int) -> dict[str, tuple[int, int]]:
    return {d.day: (d.runs, (d.end_ms - d.start_ms) // HOUR_MS) for d in fresh_days(site, *stores, now_ms)}


def test_days_are_those_of_the_house_and_23_or_25_hours_where_the_clocks_change() -> None:
    spring = bounds("America/Chicago", MIDNIGHT, MIDNIGHT + 3 * DAY_MS)
    assert [(b.day, (b.end_ms - b.start_ms) // HOUR_MS) for b in spring] == [
        ("2026-03-07", 24), ("2026-03-08", 23), ("2026-03-09", 24)
    ]  # fmt: skip
    assert spring[0].start_ms == MIDNIGHT
    autumn = bounds("America/Chicago", MIDNIGHT + 238 * DAY_MS, MIDNIGHT + 240 * DAY_MS)
    assert [(b.day, (b.end_ms - b.start_ms) // HOUR_MS) for b in autumn] == [("2026-10-31", 24), ("2026-11-01", 25)]


def test_a_day_is_added_up(stores: tuple[ReadingStore, Ledger]) -> None:
    """Runs of 10 s every 10 minutes of one day: 144 of them, 590 s of wait before all but the first."""
    store, ledger = stores
    ledger.record([run(MIDNIGHT + n * 600_000, 10.0) for n in range(144)])
    store.append([reading(Quantity.PUMP_POWER, MIDNIGHT + n * 10_000, 0.0) for n in range(8640)])
    store.append([reading(Quantity.RAIN_DEPTH, MIDNIGHT + n * HOUR_MS, 0.5) for n in range(24)])
    store.append([reading(Quantity.PACK_TEMPERATURE, MIDNIGHT + n * HOUR_MS, 15.0) for n in range(24)])
    (day,) = fresh_days(SITE, store, ledger, MIDNIGHT + DAY_MS + HOUR_MS)
    assert (day.day, day.runs, day.measured, day.cycles, day.samples) == ("2026-03-07", 144, 144, 143, 720)
    assert (day.run_s, day.on_s, day.off_s) == (1440.0, 1430.0, 143 * 590.0)
    assert (day.shortest_wait_s, day.median_wait_s, day.longest_wait_s, day.at_once) == (590.0, 590.0, 590.0, 0)
    assert day.energy_wh == pytest.approx(480.0 * 1440.0 / 3600.0)
    assert (day.power_w, day.heard_s, day.sampled_s) == (480.0, 86_400.0, 10.0)
    assert (day.peak_hour_s, day.peak_six_hours_s) == (60.0, 360.0)
    assert day.water_l == pytest.approx(144 * 0.166 * 0.18 * 1000.0)
    assert (day.rain_mm, day.temperature_c) == (12.0, 15.0)
    assert (day.on_pack_s, day.fell_percent, day.pack_wh) == (0.0, None, None)


def test_a_wait_over_a_gap_is_none_and_silence_is_not_heard(stores: tuple[ReadingStore, Ledger]) -> None:
    store, ledger = stores
    ledger.record([run(MIDNIGHT + n * HOUR_MS, 10.0) for n in range(24)])
    store.append([reading(Quantity.PUMP_POWER, MIDNIGHT + n * HOUR_MS, 480.0) for n in range(24)])
    ledger.record([Gap(SITE.id, Quantity.PUMP_POWER, MIDNIGHT + 150 * 60_000, MIDNIGHT + 270 * 60_000)])
    (day,) = fresh_days(SITE, store, ledger, MIDNIGHT + DAY_MS)
    assert (day.runs, day.cycles) == (24, 20)  # the first has no wait, three waits touch the gap
    assert day.heard_s == 86_400.0 - 7_200.0


def test_what_the_pack_gave(stores: tuple[ReadingStore, Ledger]) -> None:
    """Two hours of an outage fall into the day: 30 runs of 1.333 Wh and 4 % of charge."""
    store, ledger = stores
    began = MIDNIGHT + 22 * HOUR_MS
    ledger.record([Outage(SITE.id, began, began + 9 * HOUR_MS, False)])
    ledger.record([run(began + n * 240_000, 10.0, Supply.PACK) for n in range(60)])
    store.append([reading(Quantity.PACK_CHARGE, began + n * 600_000, 100.0 - n // 3) for n in range(40)])
    (day,) = fresh_days(SITE, store, ledger, MIDNIGHT + DAY_MS)
    assert day.on_pack_s == 7_200.0
    assert day.fell_percent == pytest.approx(3.0)
    assert day.pack_wh == pytest.approx(30 * 480.0 * 10.0 / 3600.0)
    assert (day.charge_low_percent, day.charge_high_percent) == (97.0, 100.0)


def test_only_days_that_are_over_and_the_newest_once_more(stores: tuple[ReadingStore, Ledger]) -> None:
    _, ledger = stores
    ledger.record([run(MIDNIGHT + n * HOUR_MS, 10.0) for n in range(60)])
    now_ms = MIDNIGHT + 2 * DAY_MS  # one in the morning at the house: the clocks have changed
    assert days_at(SITE, stores, now_ms) == {"2026-03-07": (24, 24), "2026-03-08": (23, 23)}
    ledger.save_days(fresh_days(SITE, *stores, now_ms))
    assert days_at(SITE, stores, now_ms + DAY_MS) == {
        "2026-03-07": (24, 24), "2026-03-08": (23, 23), "2026-03-09": (13, 24)
    }  # fmt: skip


def told(stores: tuple[ReadingStore, Ledger], first_h: int, last_h: int) -> None:
    """A run at each full hour of the clock since MIDNIGHT, and the readings that show it."""
    store, ledger = stores
    at_ms = [MIDNIGHT + hour * HOUR_MS for hour in range(first_h, last_h)]
    ledger.record([run(at, 10.0) for at in at_ms])
    store.append([reading(Quantity.PUMP_POWER, at, 480.0) for at in at_ms])


def test_days_that_are_told_late_are_added_up_as_if_they_had_been_told_in_time(
    stores: tuple[ReadingStore, Ledger], tmp_path: Path
) -> None:
    """A device keeps a week to itself, from noon to noon, and the studies of that week find nothing."""
    told(stores, 0, 36)
    for days in range(2, 9):
        add_up_days(SITE, *stores, MIDNIGHT + days * DAY_MS)
    silent = stores[1].days(SITE.id, 0, MIDNIGHT + 8 * DAY_MS)
    assert [day.runs for day in silent[:3]] == [24, 12, 0]
    told(stores, 36, 24 * 10)
    add_up_days(SITE, *stores, MIDNIGHT + 10 * DAY_MS)
    in_time = open_ledger(f"sqlite:///{tmp_path / 'again.db'}")
    told((stores[0], in_time), 0, 24 * 10)
    add_up_days(SITE, stores[0], in_time, MIDNIGHT + 10 * DAY_MS)
    assert stores[1].days(SITE.id, 0, MIDNIGHT + 10 * DAY_MS) == in_time.days(SITE.id, 0, MIDNIGHT + 10 * DAY_MS)
    in_time.close()
    assert late_days(SITE, *stores, newest_of(stores[1])) == []


def test_a_day_beside_a_late_one_is_kept_where_its_own_runs_are_gone(stores: tuple[ReadingStore, Ledger]) -> None:
    """The table outlives what it was made of."""
    store, ledger = stores
    told(stores, 0, 24)
    add_up_days(SITE, store, ledger, MIDNIGHT + 5 * DAY_MS)
    store.prune(MIDNIGHT + DAY_MS)
    ledger.prune(MIDNIGHT + DAY_MS)
    told(stores, 24, 24 * 5)
    add_up_days(SITE, store, ledger, MIDNIGHT + 5 * DAY_MS + HOUR_MS)
    found = ledger.days(SITE.id, 0, MIDNIGHT + 5 * DAY_MS)
    assert [day.runs for day in found] == [24, 23, 24, 24, 24]


def test_silence_that_a_late_message_did_not_fill_is_asked_after_and_left(stores: tuple[ReadingStore, Ledger]) -> None:
    """Readings that came after newer ones make no runs; the gap that they fell into stands."""
    store, ledger = stores
    told(stores, 0, 24)
    ledger.record([Gap(SITE.id, Quantity.PUMP_POWER, MIDNIGHT + 23 * HOUR_MS, MIDNIGHT + 4 * DAY_MS)])
    add_up_days(SITE, store, ledger, MIDNIGHT + 4 * DAY_MS)
    store.append([reading(Quantity.PUMP_POWER, MIDNIGHT + hour * HOUR_MS, 0.0) for hour in range(30, 90)])
    assert late_days(SITE, store, ledger, newest_of(ledger)) == []


def test_a_site_without_runs_has_no_days(stores: tuple[ReadingStore, Ledger]) -> None:
    assert fresh_days(SITE, *stores, MIDNIGHT) == []
