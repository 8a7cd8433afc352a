"""What is true of a simulated site: climate, catchment, pit, pump, pack and loads. The engine never sees these.

Every part is a frozen dataclass in the units of the glossary; `forecaster.twin.draw` draws them from wide ranges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forecaster.maths.arrays import Array


@dataclass(frozen=True, slots=True)
class Climate:
    """Rain as storms that arrive at random and last exponentially long, so that only the present tells of what comes.

    storms_per_day : float — mean arrivals in an average season [1/day]
    storm_h : float — mean duration [h]
    intensity_mm_per_h : float — mean intensity of a storm [mm/h]; a storm's own intensity is gamma about it
    intensity_shape : float — gamma shape of a storm's own intensity
    wet_swing : float — seasonal swing of the arrival rate, 0..1
    wet_peak_day : float — day of the year with the most storms
    """

    storms_per_day: float
    storm_h: float
    intensity_mm_per_h: float
    intensity_shape: float = 1.6
    wet_swing: float = 0.4
    wet_peak_day: float = 100.0

    def season(self, day_of_year: float) -> float:
        """Seasonal factor on the arrival rate on a day of the year, 1 on average over a year."""
        return 1.0 + self.wet_swing * math.cos(2.0 * math.pi * (day_of_year - self.wet_peak_day) / 365.25)


@dataclass(frozen=True, slots=True)
class Reservoir:
    """A linear reservoir of the catchment, which empties by exp(-t / tau_h).

    tau_h : float — time constant [h]
    litres_per_mm : float — water that it takes of each millimetre of rain [L/mm]
    """

    tau_h: float
    litres_per_mm: float


@dataclass(frozen=True, slots=True)
class Wobble:
    """Random variation of the inflow on one time scale: a factor, the exponential of an Ornstein-Uhlenbeck process.

    tau_h : float — correlation time [h]
    sigma : float — standard deviation of the factor's logarithm
    """

    tau_h: float
    sigma: float


@dataclass(frozen=True, slots=True)
class Catchment:
    """What turns rain into inflow: base flow, parallel linear reservoirs behind a delay, wobbles, and the drain tile.

    base_l_per_min : float — ground water in an average season [L/min]
    base_swing, base_peak_day : float — its seasonal swing, 0..1, and the day of the year of its peak
    delay_h : float — mean time for rain to reach the reservoirs, as a linear store [h]
    wobbles : tuple[Wobble, ...] — factors on the inflow, multiplied together
    tile_l_per_min : float — the most that the drain tile brings [L/min]
    """

    base_l_per_min: float
    base_swing: float
    base_peak_day: float
    reservoirs: tuple[Reservoir, ...]
    delay_h: float
    wobbles: tuple[Wobble, ...]
    tile_l_per_min: float

    def base(self, day_of_year: float) -> float:
        """Base flow on a day of the year [L/min]."""
        swing = self.base_swing * math.cos(2.0 * math.pi * (day_of_year - self.base_peak_day) / 365.25)
        return self.base_l_per_min * (1.0 + swing)


@dataclass(frozen=True, slots=True)
class PitTruth:
    """The pit and its float.

    area_m2 : float — area of the water [m²]
    drawdown_m : float — mean fall of the water between switch-on and switch-off [m]
    freeboard_m : float — rise from switch-on until the floor is wet [m]
    slop_on_m, slop_off_m : float — standard deviation of the level at which the float switches on, and off [m]
    """

    area_m2: float
    drawdown_m: float
    freeboard_m: float
    slop_on_m: float
    slop_off_m: float


@dataclass(frozen=True, slots=True)
class PumpTruth:
    """The pump.

    running_w : float — mean electrical power while running [W]
    sag : float — share by which power falls over a run as the head grows, at least 0
    spread : float — relative standard deviation of power from run to run
    inrush_w, inrush_s : float — starting power [W] and how long it lasts [s]
    rate_l_per_min : float — water lifted when new [L/min]
    wear_per_day : float — share of the rate lost a day to wear
    power_factor : float — while running, 0..1
    """

    running_w: float
    sag: float
    spread: float
    inrush_w: float
    inrush_s: float
    rate_l_per_min: float
    wear_per_day: float
    power_factor: float


@dataclass(frozen=True, slots=True)
class InverterTruth:
    """The Sandia inverter curve (SAND2007-5036) at nominal voltage, with C1 to C3 zero.

    paco_w, pdco_w : float — AC rating and the DC power that it takes [W]
    pso_w : float — DC power that the inverter takes at no load, its idle [W]
    c0_per_w : float — curvature of AC over DC [1/W]
    """

    paco_w: float
    pdco_w: float
    pso_w: float
    c0_per_w: float

    def ac_w(self, dc_w: Array) -> Array:
        """AC power from DC power, elementwise [W]; SAND2007-5036 eq. for Pac."""
        span = self.pdco_w - self.pso_w
        over = dc_w - self.pso_w
        return np.asarray((self.paco_w / span - self.c0_per_w * span) * over + self.c0_per_w * over**2)

    def dc_w(self, ac_w: Array) -> Array:
        """DC power that an AC power takes, elementwise [W]: the curve solved for its DC power."""
        span = self.pdco_w - self.pso_w
        slope = self.paco_w / span - self.c0_per_w * span
        if self.c0_per_w == 0.0:
            return np.asarray(self.pso_w + ac_w / slope)
        root = np.sqrt(slope**2 + 4.0 * self.c0_per_w * ac_w)
        return np.asarray(self.pso_w + (root - slope) / (2.0 * self.c0_per_w))


@dataclass(frozen=True, slots=True)
class PackTruth:
    """The pack.

    capacity_wh : float — true usable energy from full to empty at the cells [Wh]
    bow, skew : float — how far the reported charge bows away from the true share of energy left, and how unevenly; at
        a share x it is off by x (1 - x) (bow + skew (1 - 2x)), as a share of the whole
    reserve_percent : float — the owner's reserve floor, on the reported charge [%]
    charge_w : float — charging power from mains into the cells [W]; above 90 % of the energy it halves
    charge_limit : float — share of the energy to which the owner lets it charge, 0..1
    """

    capacity_wh: float
    inverter: InverterTruth
    bow: float
    skew: float
    reserve_percent: float
    charge_w: float
    charge_limit: float = 1.0

    def reported_percent(self, energy_wh: Array) -> Array:
        """Unrounded reported charge [%] at energies left [Wh], elementwise; rises from 0 at empty to 100 at full."""
        x = np.clip(energy_wh / self.capacity_wh, 0.0, 1.0)
        return np.asarray(100.0 * (x + x * (1.0 - x) * (self.bow + self.skew * (1.0 - 2.0 * x))))

    def energy_at_percent(self, percent: float) -> float:
        """Energy left [Wh] at which the unrounded reported charge is `percent`, by bisection to 1e-9 of capacity."""
        low, high = 0.0, self.capacity_wh
        for _ in range(40):
            middle = 0.5 * (low + high)
            if float(self.reported_percent(np.array([middle]))[0]) < percent:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)


@dataclass(frozen=True, slots=True)
class LoadTruth:
    """Another load on the pack: steady, or cycling like a fridge when period_s is given.

    watts : float — power while on [W]
    period_s, on_s : float | None — mean length of a cycle, and of the time on in it [s]; None: steady
    jitter : float — relative standard deviation of each on and off time
    listed : bool — whether the owner's site file knows of it
    """

    name: str
    watts: float
    period_s: float | None = None
    on_s: float | None = None
    jitter: float = 0.12
    listed: bool = True

    @property
    def mean_w(self) -> float:
        """Mean power [W]."""
        if self.period_s is None or self.on_s is None:
            return self.watts
        return self.watts * self.on_s / self.period_s


@dataclass(frozen=True, slots=True)
class SunTruth:
    """A level panel that charges the pack by day, under clouds that change from day to day.

    peak_w : float — power into the cells at noon of a clear midsummer day [W]
    latitude, longitude : float — where it lies [degrees]
    cloud : float — mean share of light that clouds take, 0..1
    """

    peak_w: float
    latitude: float
    longitude: float
    cloud: float

    def clear_w(self, utc_s: Array) -> Array:
        """Power under a clear sky [W] at times in seconds since 1970, elementwise.

        It goes with the sine of the sun's height, so that it is peak_w at midsummer noon.
        Declination by Cooper 1969, 23.45 degrees times sin(360 (284 + n) / 365); the equation of time is left out.
        """
        day = utc_s / 86_400.0 % 365.25 + 1.0
        declination = np.deg2rad(23.45) * np.sin(2.0 * np.pi * (284.0 + day) / 365.0)
        angle = 2.0 * np.pi * ((utc_s % 86_400.0) / 86_400.0 - 0.5 + self.longitude / 360.0)
        latitude = math.radians(self.latitude)
        height = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(angle)
        most = math.cos(latitude - math.radians(23.45))
        return np.asarray(self.peak_w * np.clip(height, 0.0, None) / most)

    def clouds(self, days: int, rng: np.random.Generator, draws: int = 1) -> Array:
        """Share of light that clouds take on each day, 0..1, drawn from a beta distribution, (draws, days)."""
        return rng.beta(1.0 + 4.0 * self.cloud, 1.0 + 4.0 * (1.0 - self.cloud), size=(draws, days))


@dataclass(frozen=True, slots=True)
class TwinParameters:
    """All that is true of one simulated site.

    outlook_sigma : float — log-standard deviation of what the weather service says of an hour's rain
    """

    climate: Climate
    catchment: Catchment
    pit: PitTruth
    pump: PumpTruth
    pack: PackTruth
    loads: tuple[LoadTruth, ...] = ()
    sun: SunTruth | None = None
    outlook_sigma: float = 0.5

    @property
    def loads_mean_w(self) -> float:
        """Mean power of the other loads at the outlet [W]."""
        return sum(load.mean_w for load in self.loads)
