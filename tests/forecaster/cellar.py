"""A pump with exactly known runs, sampled in every way that sites are, for tests of what the engine makes of it."""

from __future__ import annotations

import bisect
import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Load, Pack, Pit, Pump, Site

START = 1_772_500_000_000
HOUR = 3_600_000

ALL = tuple(quantity for quantity in Quantity if quantity is not Quantity.RAIN_EXPECTED)


def site(
    *quantities: Quantity, loads: tuple[Load, ...] = (), pack: Pack | None = None, pump: Pump | None = None
) -> Site:
    """Larkspur Lane with channels for the quantities given."""
    return Site(
        id="larkspur",
        name="Larkspur Lane cellar",
        timezone="America/Chicago",
        pump=Pump(rated_voltage_v=115.0, rated_power_w=480.0) if pump is None else pump,
        pit=Pit(area_m2=0.166, drawdown_m=0.18, freeboard_m=0.30),
        pack=Pack(capacity_wh=1024.0, continuous_w=900.0, inverter_efficiency=0.88, idle_w=9.0)
        if pack is None
        else pack,
        loads=loads,
        channels=tuple(Channel(quantity, f"cellar/{quantity.value}") for quantity in quantities),
    )


@dataclass(frozen=True)
class Truth:
    """Runs as they were: start and stop [s], power [W]."""

    runs: tuple[tuple[float, float], ...]
    watts: float = 480.0
    standby_w: float = 0.0

    @property
    def energy_wh(self) -> float:
        """Energy of all runs [Wh]."""
        return sum(stop - start for start, stop in self.runs) * self.watts / 3600.0

    def on(self, at_s: float) -> bool:
        """Whether the pump runs."""
        index = bisect.bisect_right(self.runs, (at_s, math.inf)) - 1
        return index >= 0 and at_s < self.runs[index][1]

    def used_wh(self, at_s: float) -> float:
        """Energy up to a time [Wh]."""
        index = bisect.bisect_right(self.runs, (at_s, math.inf))
        seconds = self._before[index]
        if index:
            seconds -= max(self.runs[index - 1][1] - at_s, 0.0)
        return (seconds * self.watts + self.standby_w * at_s) / 3600.0

    @property
    def _before(self) -> list[float]:
        if "cumulative" not in self.__dict__:
            totals = [0.0]
            for start, stop in self.runs:
                totals.append(totals[-1] + stop - start)
            self.__dict__["cumulative"] = totals
        found: list[float] = self.__dict__["cumulative"]
        return found


def pumping(hours: float, *, run_s: float = 10.0, cycle_s: float = 180.0, slop: float = 0.02, seed: int = 1) -> Truth:
    """Runs of about run_s every cycle_s or so; slop is the relative spread of both."""
    dice = random.Random(seed)
    runs, at_s = [], 20.0
    while at_s < hours * 3600.0 - run_s * 2.0:
        length = run_s * (1.0 + slop * dice.gauss(0.0, 1.0))
        runs.append((at_s, at_s + length))
        at_s += max(cycle_s * (1.0 + slop * dice.gauss(0.0, 1.0)), length + 1.0)
    return Truth(tuple(runs))


def reading(quantity: Quantity, at_s: float, value: float, subject: str = "") -> Reading:
    """One reading, `at_s` seconds after the start, heard 300 ms later."""
    at_ms = START + round(at_s * 1000.0)
    return Reading("larkspur", quantity, at_ms, value, at_ms + 300, subject)


def sampled(
    truth: Truth, hours: float, every_s: float, quantity: Quantity = Quantity.PUMP_POWER, *, phase_s: float = 0.0,
    jitter_s: float = 0.0, seed: int = 2, scale: float = 1.0,
) -> Iterator[Reading]:  # fmt: skip
    """The pump's power, times scale, or a yes/no, at a cadence."""
    dice = random.Random(seed)
    yes = 1.0 if quantity in (Quantity.PUMP_RUNNING, Quantity.PIT_FLOAT) else truth.watts * scale
    for index in range(int((hours * 3600.0 - phase_s) / every_s)):
        at_s = phase_s + index * every_s + dice.uniform(0.0, jitter_s)
        yield reading(quantity, at_s, yes if truth.on(at_s) else truth.standby_w * scale)


def counted(
    truth: Truth, hours: float, every_s: float, *, step_wh: float = 0.1, start_wh: float = 5_000.0, phase_s: float = 0.0
) -> Iterator[Reading]:
    """The energy counter, cut to whole steps, at a cadence."""
    for index in range(int((hours * 3600.0 - phase_s) / every_s)):
        at_s = phase_s + index * every_s
        value = math.floor((start_wh + truth.used_wh(at_s)) / step_wh + 1e-9) * step_wh
        yield reading(Quantity.PUMP_ENERGY, at_s, value)


def on_change(truth: Truth, hours: float, quantity: Quantity, *, heartbeat_s: float = 300.0) -> Iterator[Reading]:
    """Reports at each edge, and at a heartbeat between."""
    value = 1.0 if quantity in (Quantity.PUMP_RUNNING, Quantity.PIT_FLOAT) else truth.watts
    last_s = 0.0
    yield reading(quantity, 0.0, 0.0)
    for start, stop in truth.runs:
        while last_s + heartbeat_s < start:
            last_s += heartbeat_s
            yield reading(quantity, last_s, 0.0)
        yield reading(quantity, start, value)
        yield reading(quantity, stop, 0.0)
        last_s = stop
    while last_s + heartbeat_s < hours * 3600.0:
        last_s += heartbeat_s
        yield reading(quantity, last_s, 0.0)


def charges(
    hours: float, percents: Sequence[tuple[float, float]], *, every_s: float = 30.0, step: float = 1.0
) -> Iterator[Reading]:
    """The pack's charge in steps, linear between (hours, percent) points."""
    for index in range(int(hours * 3600.0 / every_s)):
        at_h = index * every_s / 3600.0
        for (left_h, left), (right_h, right) in pairwise(percents):
            if left_h <= at_h <= right_h:
                share = (at_h - left_h) / (right_h - left_h)
                yield reading(Quantity.PACK_CHARGE, at_h * 3600.0, round((left + share * (right - left)) / step) * step)
                break


def mains(hours: float, spans: Sequence[tuple[float, float]], *, every_s: float = 30.0) -> Iterator[Reading]:
    """mains_present; spans (from_h, to_h) are without."""
    for index in range(int(hours * 3600.0 / every_s)):
        at_h = index * every_s / 3600.0
        gone = any(start <= at_h < stop for start, stop in spans)
        yield reading(Quantity.MAINS_PRESENT, at_h * 3600.0, 0.0 if gone else 1.0)


def in_order(*streams: Iterator[Reading] | Sequence[Reading]) -> list[Reading]:
    """Streams as one, by arrival."""
    return sorted((one for stream in streams for one in stream), key=lambda one: (one.arrived_ms, one.quantity.value))
