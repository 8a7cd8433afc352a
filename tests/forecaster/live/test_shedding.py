"""A forecaster with too much to do, on a clock of its own: the pack in time, mains less often, nobody left out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from forecaster.alarms import AlarmManager, Outside
from forecaster.domain.forecast import Forecast
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Supply
from forecaster.engine import Engine
from forecaster.live import worker as worker_module
from forecaster.live.shedding import LATE_MS, LONG_REUSED_MS, MOST_MS, REUSED_MS, LoadShed
from forecaster.live.site_runner import NOTHING, REFRESH_MS, Issued, SiteRunner
from forecaster.live.worker import ForecastWorker
from forecaster.twin.live import larkspur_site
from tests.forecaster.live.test_worker import calm, nothing_planned
from tests.scenario import NOW_MS, HeldClock, services

SITES, ON_PACK = 300, 30
REST_S = 0.05
"""How long a turn takes beside its forecasts."""

LONGEST_BONUS_MS = REFRESH_MS + MOST_MS
"""How much longer than a site on the pack one on mains may wait."""


class Moment:
    """A clock that only work moves on."""

    def __init__(self) -> None:
        self.s = 0.0

    def monotonic(self) -> float:
        return self.s

    @property
    def ms(self) -> int:
        return NOW_MS + round(self.s * 1000)


class Slow(SiteRunner):
    """A site whose forecast takes so much of the clock, and what its forecasts had become in age."""

    def __init__(self, engine: Engine, number: int, forecast: Forecast, moment: Moment) -> None:
        site = replace(engine.site, id=f"site-{number}")
        super().__init__(site, engine, AlarmManager(site))
        self.moment, self.forecast, self.cost_s = moment, forecast, 0.0
        self.ages_ms: list[int] = []
        self.told_ms: int | None = None

    def tell(self, now_ms: int, _now_s: float, _outside: Outside = NOTHING, _reused_ms: int = REUSED_MS) -> Issued:
        self.moment.s += self.cost_s
        if self.told_ms is not None:
            self.ages_ms.append(self.moment.ms - self.told_ms)
        self.told_ms, self.newest = self.moment.ms, self.forecast
        self.postpone(self.moment.ms, self.moment.s)
        return Issued(self.site, self.forecast, StoredForecast(self.site.id, now_ms, "{}"), [])


class Loaded(ForecastWorker):
    """A forecaster that only issues, and publishes nowhere."""

    def _publish(self, told: Sequence[Issued]) -> None:
        self.counts_so_far.forecasts += len(told)


class House:
    """So many sites under one forecaster; `live` runs it."""

    def __init__(self, worker: Loaded, moment: Moment, clock: HeldClock, runners: list[Slow]) -> None:
        self.worker, self.moment, self.clock, self.runners = worker, moment, clock, runners
        worker._runners = {runner.site.id: runner for runner in runners}

    def live(self, for_s: float, cost_s: float) -> None:
        """Turn after turn for a time, each forecast at a cost; ages are counted from now on."""
        until_s = self.moment.s + for_s
        for runner in self.runners:
            runner.cost_s, runner.ages_ms = cost_s, []
        while self.moment.s < until_s:
            self.clock.at_ms = self.moment.ms
            self.worker._issue()
            self.moment.s += REST_S

    def oldest_ms(self, supply: Supply) -> int:
        return max(max(r.ages_ms) for r in self.runners if r.forecast.supply is supply)

    def told(self, name: str) -> float:
        value = next(count.value for count in self.worker.counts() if count.name == name)
        assert value is not None
        return value


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[House]:
    moment, clock = Moment(), HeldClock(NOW_MS)
    monkeypatch.setattr(worker_module, "time", moment)
    site = larkspur_site()
    engine = Engine(site)
    forecast = engine.forecast(NOW_MS)
    held = services(tmp_path, {site.id: site}, clock=clock)
    worker = Loaded({}, held.store, held.ledger, clock, plan=nothing_planned, outside=calm)
    runners = [
        Slow(engine, number, replace(forecast, supply=Supply.PACK if number < ON_PACK else Supply.MAINS), moment)
        for number in range(SITES)
    ]
    yield House(worker, moment, clock, runners)
    held.close()


def test_with_room_nothing_is_shed(house: House) -> None:
    house.live(600, 0.02)
    assert house.told("outlast_forecaster_shed_seconds") == 0
    assert house.oldest_ms(Supply.PACK) < REFRESH_MS + 1_500
    assert house.oldest_ms(Supply.MAINS) < REFRESH_MS + LATE_MS


def test_under_load_the_pack_stays_in_time_and_mains_come_less_often(house: House) -> None:
    """Four and a half forecasts a second where nine and more would be due: 300 sites in 30 to 33 s."""
    house.live(300, 0.2)
    house.live(600, 0.2)
    assert house.oldest_ms(Supply.PACK) < REFRESH_MS + 2 * LATE_MS
    shed_ms = 1000 * house.told("outlast_forecaster_shed_seconds")
    assert 20_000 < shed_ms < MOST_MS
    assert house.oldest_ms(Supply.MAINS) < 100_000
    house.live(300, 0.02)
    assert house.told("outlast_forecaster_shed_seconds") == 0, "with room again the interval is as before"
    assert house.told("outlast_forecaster_late_seconds") <= LATE_MS / 1000


def test_under_any_load_everybody_has_a_turn(house: House) -> None:
    """One forecast a second, which is what the pack's alone would take."""
    house.live(1800, 1.0)
    house.live(1800, 1.0)
    assert house.told("outlast_forecaster_shed_seconds") == MOST_MS / 1000
    assert all(runner.ages_ms for runner in house.runners)
    assert house.oldest_ms(Supply.MAINS) < house.oldest_ms(Supply.PACK) + LONGEST_BONUS_MS + LATE_MS
    assert house.oldest_ms(Supply.PACK) < house.oldest_ms(Supply.MAINS)


def test_refits_give_way_while_load_is_shed(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """A refit of 0.1 s is due all the time: one in a second, and under load one in five."""
    refits: list[float] = []

    def refit(_: SiteRunner, _now_ms: int) -> bool:
        house.moment.s += 0.1
        refits.append(house.moment.s)
        return True

    monkeypatch.setattr(SiteRunner, "refit_if_due", refit)
    for cost_s, each_s in ((0.02, 1.0), (1.0, 5.0)):
        house.live(300, cost_s)
        refits.clear()
        for _ in range(1_000):
            house.worker._refit()
            house.moment.s += 0.01
        assert np.diff(refits).mean() == pytest.approx(each_s, rel=0.05)


def test_what_a_look_a_second_makes_late_is_no_load() -> None:
    """After a rush of a minute, forecasts that are late by two seconds: what was shed comes back, and stays away."""
    load = LoadShed()
    for second in range(60):
        load.step(60_000, float(second))
    assert load.shed_ms > 50_000
    assert load.reused_ms == LONG_REUSED_MS
    for second in range(60, 180):
        load.step(2_000, float(second))
    assert load.shed_ms == 0
    assert load.reused_ms == REUSED_MS


def test_a_pause_is_no_load() -> None:
    """Two minutes in which the process was stopped: what is late then is caught up without a longer interval."""
    load = LoadShed()
    load.step(0, 0.0)
    load.step(120_000, 120.0)
    assert load.shed_ms <= 5_000
    for second in range(10):
        load.step(0, 121.0 + second)
    assert load.shed_ms == 0
