"""Hand-made evidence for alarm tests: a house on mains at rest, changed one fact at a time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from forecaster.alarms import AlarmManager, Outside
from forecaster.domain.alarms import AlarmKind, AlarmTransition, TransitionKind
from forecaster.domain.forecast import Basis, Forecast, Quantiles, Water
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import AlarmLimits, Contact, Pack, Pit, Pump, Site, Units
from forecaster.domain.status import SiteStatus, Spread

QUIET = Outside()
START_MS = 1_772_553_720_000  # 2026-03-03T16:02:00Z, 10:02 in Chicago
MINUTE = 60_000
HOUR = 3_600_000
DAY = 24 * HOUR

LARKSPUR = Site(
    id="larkspur",
    name="Larkspur Lane cellar",
    timezone="America/Chicago",
    units=Units.US,
    pump=Pump(rated_voltage_v=115.0, rated_current_a=(5.2, 5.2), rated_power_w=480.0),
    pit=Pit(area_m2=0.1662, drawdown_m=0.18, freeboard_m=0.30),
    pack=Pack(capacity_wh=1024.0, continuous_w=900.0, surge_w=1800.0),
    contacts=(Contact(name="owner", email="owner@example.org"),),
)


def run(start_ms: int, *, run_s: float = 10.0, power_w: float = 470.0, clipped: bool = False) -> Run:
    return Run(
        site=LARKSPUR.id,
        start_ms=start_ms,
        stop_ms=start_ms + int(run_s * 1000),
        energy_wh=power_w * run_s / 3600.0,
        power_w=power_w,
        peak_w=power_w * 1.1,
        source=Quantity.PUMP_POWER,
        supply=Supply.MAINS,
        samples=8,
        clipped=clipped,
    )


def hours(p50: float, spread: float = 0.2) -> Quantiles:
    low, high = p50 * (1 - spread), p50 * (1 + spread)
    near, far = p50 * (1 - spread / 2), p50 * (1 + spread / 2)
    return Quantiles(p05=low * 0.95, p10=low, p25=near, p50=p50, p75=far, p90=high, p95=high * 1.05)


def status(at_ms: int, **facts: Any) -> SiteStatus:
    normal = SiteStatus(
        site=LARKSPUR.id,
        at_ms=at_ms,
        supply=Supply.MAINS,
        supply_inferred=False,
        supply_since_ms=START_MS - 30 * DAY,
        data_age_s=4.0,
        silent=False,
        last_run=run(at_ms - 120_000),
        run_s_normal=Spread(9.5, 10.0, 10.8, 400),
        run_s_recent=10.0,
        dry_run_s_normal=Spread(9.3, 9.8, 10.6, 400),
        dry_run_s_recent=9.8,
        cycles_per_hour_lately=8.0,
        running_w_normal=Spread(455.0, 470.0, 486.0, 400),
        cycles_per_hour_normal=Spread(2.0, 8.0, 21.0, 300),
        cycles_last_hour=8,
        overdue=0.3,
        waits=0.3,
        interval_spread=0.1,
        waiting_since_ms=at_ms - 120_000,
        charge_percent=100.0,
        charge_rate_percent_per_h=0.0,
        pack_carrying=True,
        high_water=False,
        last_test_ms=START_MS - 30 * DAY,
    )
    return replace(normal, **facts)


def forecast(at_ms: int, quantiles: Quantiles | None = None, **facts: Any) -> Forecast:
    plain = Forecast(
        site=LARKSPUR.id,
        issued_at_ms=at_ms,
        supply=Supply.MAINS,
        basis=Basis.MEASURED,
        data_age_s=4.0,
        charge_percent=100.0,
        usable_wh=900.0,
        draw_w=40.0,
        cycles_per_hour=8.0,
        run_s=10.0,
        wh_per_cycle=1.9,
        duty=0.02,
        hours_remaining=hours(20.0) if quantiles is None else quantiles,
        hours_to_empty=hours(22.0),
        survival=(),
        water=Water(inflow_l_per_min=8.6, pump_rate_l_per_min=155.0, minutes_to_floor=6.2),
    )
    return replace(plain, **facts)


class House:
    """A manager walked through time, and all that it said."""

    def __init__(self, limits: AlarmLimits | None = None, site: Site = LARKSPUR, stride_s: float = 30.0) -> None:
        self.manager = AlarmManager(site, limits)
        self.now_ms = START_MS
        self.stride_ms = int(stride_s * 1000)
        self.said: list[AlarmTransition] = []
        self.degraded: tuple[str, ...] = ()

    def step(self, quantiles: Quantiles | None = None, outside: Outside = QUIET, **facts: Any) -> None:
        supply = facts.get("supply", Supply.MAINS)
        silent = facts.get("silent", False)
        basis = Basis.PROJECTED if silent else Basis.MEASURED
        ahead = forecast(self.now_ms, quantiles, supply=supply, basis=basis, degraded=self.degraded)
        self.said += self.manager.step(status(self.now_ms, **facts), ahead, self.now_ms, outside)
        self.now_ms += self.stride_ms

    def hold(self, minutes: float, quantiles: Quantiles | None = None, outside: Outside = QUIET, **facts: Any) -> None:
        end = self.now_ms + int(minutes * MINUTE)
        while self.now_ms < end:
            self.step(quantiles, outside, **facts)

    def kinds(self, what: TransitionKind = TransitionKind.RAISED) -> list[AlarmKind]:
        return [item.alarm.kind for item in self.said if item.kind is what]

    def told(self) -> list[AlarmTransition]:
        return [item for item in self.said if item.tell]
