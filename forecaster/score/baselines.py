"""Baselines: what people do today with the same readings, each a single number of hours.

All of them take the nameplate at its word: capacity times the charge above the reserve floor times a rule-of-thumb
efficiency of 0.9 where the site file gives none (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from forecaster.domain.forecast import HORIZON_H
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Site
from forecaster.maths.arrays import Array

RULE_OF_THUMB_EFFICIENCY = 0.9
LEAST_W = 1.0


@dataclass(frozen=True, slots=True)
class BaselineHistory:
    """What a baseline looks at: the readings up to now, by quantity, in order of source time.

    transfer_ms, now_ms : int — when the pack took over, and the present [UTC ms]
    series : quantity -> (times [UTC ms], values in the quantity's unit), (N,) each
    """

    site: Site
    transfer_ms: int
    now_ms: int
    series: dict[Quantity, tuple[Array, Array]]

    def latest(self, quantity: Quantity) -> float | None:
        """The newest value, in the quantity's unit; None if there is none."""
        found = self.series.get(quantity)
        return None if found is None or not found[1].size else float(found[1][-1])


class Gatherer:
    """Collects readings as they come, so that each origin costs only what is new."""

    def __init__(self, site: Site, transfer_ms: int) -> None:
        self._site, self._transfer_ms = site, transfer_ms
        self._kept: dict[Quantity, dict[int, float]] = {}

    def take(self, readings: Sequence[Reading]) -> None:
        """Take readings in order of arrival; those with a subject or over two hours before the transfer are dropped."""
        for reading in readings:
            if not reading.subject and reading.time_ms > self._transfer_ms - 7_200_000:
                self._kept.setdefault(reading.quantity, {})[reading.time_ms] = reading.value

    def seen(self, now_ms: int) -> BaselineHistory:
        """The history at now_ms [UTC ms]: everything taken so far whose source time is not later."""
        series = {}
        for quantity, values in self._kept.items():
            times = np.array(sorted(t for t in values if t <= now_ms), dtype=np.float64)
            series[quantity] = (times, np.array([values[int(t)] for t in times], dtype=np.float64))
        return BaselineHistory(self._site, self._transfer_ms, now_ms, series)


def rated_w(site: Site) -> float:
    """Running power by the nameplate [W].

    Rated power; else voltage times the middle of the rated current times the power factor; else the horsepower (0.33
    where none is given) at 746 W each, over 0.6.
    """
    pump = site.pump
    if pump.rated_power_w is not None:
        return pump.rated_power_w
    if pump.rated_current_a is not None and pump.rated_voltage_v is not None:
        return pump.rated_voltage_v * sum(pump.rated_current_a) / 2.0 * (pump.power_factor or 1.0)
    return 746.0 * (pump.horsepower or 0.33) / 0.6


def power_series(seen: BaselineHistory) -> tuple[Array, Array] | None:
    """Power over time as (times [UTC ms], watts from each time to the next), (N,) each; None without a source.

    The first source that has readings: pump power, the pack's output, running or float times the rated power, the
    steps of the energy counter.
    """
    for quantity in (Quantity.PUMP_POWER, Quantity.PACK_OUTPUT_POWER):
        found = seen.series.get(quantity)
        if found is not None and found[0].size:
            return found
    for quantity in (Quantity.PUMP_RUNNING, Quantity.PIT_FLOAT):
        found = seen.series.get(quantity)
        if found is not None and found[0].size:
            return found[0], found[1] * rated_w(seen.site)
    counter = seen.series.get(Quantity.PUMP_ENERGY)
    if counter is not None and counter[0].size > 1:
        risen = np.maximum(np.diff(counter[1]), 0.0)
        return counter[0][:-1], risen / np.maximum(np.diff(counter[0]) / 3.6e6, 1e-9)
    return None


def mean_w(seen: BaselineHistory, over_s: float) -> float | None:
    """Time-weighted mean power of the last over_s seconds [W]; None without readings."""
    found = power_series(seen)
    if found is None:
        return None
    times, watts = found
    start = seen.now_ms - 1000.0 * over_s
    edges = np.clip(np.concatenate([times, [float(seen.now_ms)]]), start, seen.now_ms)
    widths = np.diff(edges)
    return float(np.dot(widths, watts) / widths.sum()) if widths.sum() > 0.0 else None


def other_loads_w(seen: BaselineHistory) -> float:
    """Mean power of the other loads in the site file [W]; 0 where only the pack's output is known: it holds them."""
    if Quantity.PUMP_POWER not in seen.series and Quantity.PACK_OUTPUT_POWER in seen.series:
        return 0.0
    return sum(load.mean_w for load in seen.site.loads)


def charge_now(seen: BaselineHistory) -> float:
    """Newest reported charge [%], 0..100.

    With none reported, 100 less the energy used since the transfer as a percentage of the nameplate's.
    """
    reported = seen.latest(Quantity.PACK_CHARGE)
    if reported is not None:
        return reported
    elapsed_h = (seen.now_ms - seen.transfer_ms) / 3.6e6
    watts = mean_w(seen, 3600.0 * elapsed_h) if elapsed_h > 0.0 else None
    used = ((watts or 0.0) + other_loads_w(seen)) * elapsed_h / _efficiency(seen.site)
    return max(0.0, 100.0 * (1.0 - used / seen.site.pack.nominal_wh))


def _efficiency(site: Site) -> float:
    given = site.pack.inverter_efficiency
    return RULE_OF_THUMB_EFFICIENCY if given is None else given


def usable_wh(seen: BaselineHistory) -> float:
    """Nameplate energy above the reserve floor, at the outlet [Wh]."""
    share = max(0.0, charge_now(seen) - seen.site.pack.reserve_percent) / 100.0
    return seen.site.pack.nominal_wh * share * _efficiency(seen.site)


def _hours(seen: BaselineHistory, watts: float) -> float:
    return min(HORIZON_H, usable_wh(seen) / max(watts + other_loads_w(seen), LEAST_W))


def present_watts_h(seen: BaselineHistory) -> float | None:
    """Energy left over the power of this moment, as a display does it [h]; HORIZON_H at most, None without readings."""
    found = power_series(seen)
    return None if found is None else _hours(seen, float(found[1][-1]))


def quarter_hour_h(seen: BaselineHistory) -> float | None:
    """Energy left over the mean power of the last 15 minutes [h]; None without readings."""
    watts = mean_w(seen, 900.0)
    return None if watts is None else _hours(seen, watts)


def nameplate_h(seen: BaselineHistory) -> float | None:
    """Energy left over nameplate watts times the pump's share of the last hour [h]; None without readings."""
    found = power_series(seen)
    watts = mean_w(seen, 3600.0)
    if found is None or watts is None:
        return None
    recent = found[1][found[0] > seen.now_ms - 3_600_000.0]
    running = recent[recent > 0.25 * rated_w(seen.site)]
    shown = float(np.median(running)) if running.size else rated_w(seen.site)
    return _hours(seen, watts / shown * rated_w(seen.site))


def slope_h(seen: BaselineHistory) -> float | None:
    """Hours left if the reported charge falls on as since the transfer [h]; None before it fell, or unreported."""
    found = seen.series.get(Quantity.PACK_CHARGE)
    if found is None:
        return None
    times, values = found
    after = times >= seen.transfer_ms
    if not after.any():
        return None
    fallen = float(values[after][0] - values[after][-1])
    elapsed_h = (seen.now_ms - seen.transfer_ms) / 3.6e6
    if fallen <= 0.0 or elapsed_h <= 0.0:
        return None
    left = max(0.0, float(values[after][-1]) - seen.site.pack.reserve_percent)
    return min(HORIZON_H, left * elapsed_h / fallen)


BASELINES: dict[str, Callable[[BaselineHistory], float | None]] = {
    "present watts": present_watts_h,
    "15-minute mean": quarter_hour_h,
    "nameplate": nameplate_h,
    "slope of charge": slope_h,
}
PERFECT = "perfect battery, constant rate"
"""Name of the baseline that needs the true battery: scored only where the case gives `perfect_h`."""
