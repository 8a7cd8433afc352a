"""Sensors: what devices report of the house and when, by cadence or on change, with limited resolution and errors."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from forecaster.domain.quantities import STATES, Quantity
from forecaster.maths.arrays import Array
from forecaster.twin.electric import Profile
from forecaster.twin.house import House
from forecaster.twin.parameters import TwinParameters
from forecaster.twin.weather import GRID_S

Times = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sensor:
    """One reported quantity.

    device : str — the device that it is part of; a gap or a clock step hits all sensors of one device
    every_s : float — cadence [s]; for a sensor that reports on change, its heartbeat
    jitter : float — span within which report times vary, as a share of the cadence
    on_change : bool — reports when the value changes, and at the heartbeat
    step : float — resolution in the stored unit; 0 for none
    round_down : bool — whether the value is cut rather than rounded
    gain, noise : float — relative gain error; relative standard deviation of each report
    latency_s : float — mean time from measuring to arrival [s]
    time_step_ms : int — resolution of the source time [ms]
    subject : str — what it measures where a site has several, such as the name of a load; else empty
    """

    quantity: Quantity
    device: str
    every_s: float
    jitter: float = 0.03
    on_change: bool = False
    step: float = 0.0
    round_down: bool = False
    gain: float = 0.0
    noise: float = 0.0
    latency_s: float = 0.3
    time_step_ms: int = 1
    subject: str = ""


@dataclass(frozen=True, slots=True)
class Track:
    """The reports of one sensor, in the order of their source times unless troubles changed that.

    time_ms, arrived_ms : (N,) — source and arrival times, UTC milliseconds
    value : (N,) — in the quantity's stored unit
    """

    sensor: Sensor
    time_ms: Times
    value: Array
    arrived_ms: Times

    def taken(self, keep: NDArray[np.bool_] | NDArray[np.int64]) -> Track:
        """Only the reports that a mask or an index array picks."""
        return replace(self, time_ms=self.time_ms[keep], value=self.value[keep], arrived_ms=self.arrived_ms[keep])


def _wander(beats: NDArray[np.int64]) -> Array:
    """A number in 0..1 for each beat that looks random and is the same whenever it is asked for."""
    mixed = (beats.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(11)
    return np.asarray(mixed / float(1 << 53))


class Reporter:
    """Gives the reports of sensors over any span of a house.

    rain_mm_per_h : (N,) — rain on the inflow's grid [mm/h]
    origin_ms : int — time 0 of the house's own seconds, UTC milliseconds
    """

    def __init__(self, house: House, truth: TwinParameters, rain_mm_per_h: Array, origin_ms: int) -> None:
        self.house, self.truth, self.rain, self.origin_ms = house, truth, rain_mm_per_h, origin_ms
        self.subjects = dict(zip((load.name for load in truth.loads), house.loads, strict=True))

    def reports(self, sensor: Sensor, start_s: float, stop_s: float, rng: np.random.Generator) -> Track:
        """The reports of a sensor measured in [start_s, stop_s) of the house [s].

        Errors: ValueError for a quantity that the twin has no sensor for.
        """
        from_s = start_s - 1.1 * sensor.every_s if sensor.on_change else start_s
        times = self._times(sensor, from_s, stop_s, rng)
        value = self._shown(sensor, self._true(sensor, times), rng)
        if sensor.on_change and value.size:
            beat = np.floor(times / sensor.every_s)
            keep = np.concatenate([[True], (np.diff(value) != 0.0) | (np.diff(beat) > 0.0)]) & (times >= start_s)
            times, value = times[keep], value[keep]
        source = self.origin_ms + np.round(times * 1000.0).astype(np.int64)
        arrived = source + (1000.0 * rng.exponential(sensor.latency_s, size=times.size)).astype(np.int64)
        source = source // sensor.time_step_ms * sensor.time_step_ms
        first = np.concatenate([[True], np.diff(source) > 0]) if source.size else np.zeros(0, dtype=bool)
        return Track(sensor, source, value, arrived).taken(first)

    def _times(self, sensor: Sensor, start_s: float, stop_s: float, rng: np.random.Generator) -> Array:
        beats = np.arange(math.floor(start_s / sensor.every_s) - 1, math.ceil(stop_s / sensor.every_s) + 2)
        times = sensor.every_s * (beats + sensor.jitter * (_wander(beats) - 0.5))
        if sensor.on_change:
            edges = self._edges(sensor)
            edges = edges[(edges >= start_s) & (edges < stop_s)]
            times = np.concatenate([times, edges + rng.uniform(0.15, 0.6, size=edges.size)])
        times = times[(times >= start_s) & (times < stop_s)]
        return np.sort(times)

    def _edges(self, sensor: Sensor) -> Array:
        """Times at which the true value changes [s]; for quantities not listed, those of the pump's power."""
        house = self.house
        match sensor.quantity:
            case Quantity.PACK_OUTPUT_POWER:
                return house.output.times_s
            case Quantity.PACK_CHARGE:
                return self._charge_edges(sensor)
            case Quantity.MAINS_PRESENT:
                return np.array([s.start_s for s in house.spans])
            case Quantity.LOAD_POWER:
                return self.subjects[sensor.subject].times_s
            case _:
                return house.pump.times_s

    def _charge_edges(self, sensor: Sensor) -> Array:
        """Times at which the charge, cut to the sensor's steps, changes [s]."""
        energy = self.house.energy
        shown = self.truth.pack.reported_percent(energy.left_wh) / max(sensor.step, 0.1)
        return np.asarray(energy.times_s[1:][np.diff(np.floor(shown)) != 0.0])

    def _true(self, sensor: Sensor, times: Array) -> Array:
        house, truth = self.house, self.truth
        match sensor.quantity:
            case Quantity.PUMP_POWER:
                return house.pump.at(times)
            case Quantity.PUMP_CURRENT:
                return house.pump.at(times) / (120.0 * truth.pump.power_factor)
            case Quantity.PUMP_ENERGY:
                return house.pump.integral_at_h(times)
            case Quantity.PUMP_RUNNING | Quantity.PIT_FLOAT:
                return (house.pump.at(times) > 0.0).astype(np.float64)
            case Quantity.PACK_CHARGE:
                return truth.pack.reported_percent(house.energy.at(times))
            case Quantity.PACK_OUTPUT_POWER:
                return house.output.at(times)
            case Quantity.PACK_INPUT_POWER:
                return self._input_w(times)
            case Quantity.MAINS_PRESENT:
                return 1.0 - house.on_pack(times)
            case Quantity.LOAD_POWER:
                return self.subjects[sensor.subject].at(times)
            case Quantity.PACK_TEMPERATURE:
                return 18.0 + 0.01 * house.output.at(times) + np.sin(2.0 * np.pi * times / 86_400.0)
            case Quantity.RAIN_DEPTH:
                return self._rain_since(times, sensor.every_s)
            case Quantity.RAIN_RATE:
                return self.rain[self._grid(times)]
            case Quantity.WATER_LEVEL:
                return self._level_m(times)
            case Quantity.HIGH_WATER:
                limit = truth.pit.drawdown_m + 0.6 * truth.pit.freeboard_m
                return (self._level_m(times) > limit).astype(np.float64)
            case _:
                raise ValueError(f"the twin has no sensor for {sensor.quantity}")

    def _grid(self, times: Array) -> NDArray[np.int64]:
        index = np.floor((times - self.house.inflow.start_s) / GRID_S).astype(np.int64)
        return np.clip(index, 0, self.rain.size - 1)

    def _rain_since(self, times: Array, every_s: float) -> Array:
        """Rain since the report before [mm], in whole tips of a gauge of 0.2 mm."""
        fallen = np.concatenate([[0.0], np.cumsum(self.rain * (GRID_S / 3600.0))])
        before = np.concatenate([times[:1] - every_s, times])
        return np.asarray(np.diff(np.floor(fallen[self._grid(before)] / 0.2)) * 0.2)

    def _input_w(self, times: Array) -> Array:
        """Power into the pack [W]: from the sun on the pack; on mains, charging and what passes on to the outlet."""
        energy, house = self.house.energy, self.house
        slope = np.diff(energy.left_wh) / np.maximum(np.diff(energy.times_s), 1e-9) * 3600.0
        rate = Profile(energy.times_s[:-1], np.maximum(slope, 0.0)).at(times)
        mains = house.on_pack(times) == 0.0
        return np.asarray(np.where(mains, rate / 0.92 + house.output.at(times), house.sun.at(times)))

    def _level_m(self, times: Array) -> Array:
        """Water above the stop level [m]: inflow since the last stop less what was pumped, from 0 to the wet floor."""
        house, pit = self.house, self.truth.pit
        if house.level_m is not None:
            return np.asarray(np.interp(times, *house.level_m))
        litres = pit.area_m2 * 1000.0
        edges = np.unique(np.concatenate([house.runs.start_s, house.runs.stop_s, times]))
        grid = house.inflow.start_s + GRID_S * np.arange(house.inflow.cumulative_l.size)
        came = np.interp(edges, grid, house.inflow.cumulative_l)
        last_stop = np.searchsorted(house.runs.stop_s, edges, side="right") - 1
        since = np.where(last_stop >= 0, house.runs.stop_s[np.maximum(last_stop, 0)], edges[0])
        risen = (came - np.interp(since, grid, house.inflow.cumulative_l)) / litres
        started = np.searchsorted(house.runs.start_s, edges, side="right") - 1
        begun = np.where(started >= 0, house.runs.start_s[np.maximum(started, 0)], edges[0])
        pumped = np.where(started > last_stop, (edges - begun) * self.truth.pump.rate_l_per_min / 60.0 / litres, 0.0)
        level = np.clip(risen - pumped, 0.0, pit.drawdown_m + pit.freeboard_m)
        return np.asarray(level[np.searchsorted(edges, times)])

    def _shown(self, sensor: Sensor, true: Array, rng: np.random.Generator) -> Array:
        if sensor.quantity in STATES:
            return true
        value = true * (1.0 + sensor.gain)
        if sensor.noise > 0.0:
            value = value * (1.0 + sensor.noise * rng.normal(size=value.size))
        if sensor.step > 0.0:
            steps = value / sensor.step
            value = sensor.step * (np.floor(steps + 1e-9) if sensor.round_down else np.round(steps))
        return np.asarray(value)
