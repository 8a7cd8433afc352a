"""Draws a site from wide ranges: what is true of it, and the owner's site file, which never quite says that."""

from __future__ import annotations

import math

import numpy as np

from forecaster.domain.quantities import SPECS, Quantity
from forecaster.domain.site import Channel, Load, Pack, Pit, Pump, Site
from forecaster.twin.parameters import (
    Catchment,
    Climate,
    InverterTruth,
    LoadTruth,
    PackTruth,
    PitTruth,
    PumpTruth,
    Reservoir,
    SunTruth,
    TwinParameters,
    Wobble,
)
from forecaster.twin.sensors import Sensor
from forecaster.twin.styles import Style

LATITUDE, LONGITUDE = 41.9, -87.7

AGED = (0.85, 1.03)
"""What a pack holds as a share of its nameplate."""

RATED_EFFICIENCY = (0.82, 0.95)
"""Efficiency of an inverter at its rating, without its idle."""

IDLE_W = (3.0, 18.0)
"""DC power of an inverter at no load [W]."""

BOW_SD, SKEW_SD = 0.07, 0.04
"""Standard deviations of how far a gauge bows, and how unevenly, as shares of the whole."""

SAG = (0.0, 0.06)
"""Share by which a pump's power falls over a run."""

INRUSH, INRUSH_S = (2.0, 4.0), (0.15, 0.6)
"""A pump's starting power over its running power, and how long it lasts [s]."""

SAID_EFFICIENCY_SD, SAID_IDLE_SD, SAID_LOAD_SD, SAID_PUMP_SD = 0.03, 0.25, 0.1, 0.12
"""Errors of the owner's site file: of the efficiency as a share, of the others as log-standard deviations."""

UNLISTED, UNLISTED_W = 0.1, (1.0, 5.0)
"""Chance of a small load that the site file does not list, and its power [W]."""


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def draw_climate(rng: np.random.Generator) -> Climate:
    """A climate with 0.15 to 0.5 storms a day in an average season, of 2 to 8 h in the mean."""
    return Climate(
        storms_per_day=_log_uniform(rng, 0.15, 0.5),
        storm_h=_log_uniform(rng, 2.0, 8.0),
        intensity_mm_per_h=_log_uniform(rng, 0.8, 4.0),
        wet_swing=rng.uniform(0.0, 0.7),
        wet_peak_day=rng.uniform(0.0, 365.0),
    )


def draw_catchment(pump: PumpTruth, climate: Climate, rng: np.random.Generator) -> Catchment:
    """A catchment in proportion to the pump's rate.

    It has three reservoirs that empty within hours to days, a base flow, and wobbles of minutes to a day.
    """
    litres_per_mm = pump.rate_l_per_min * _log_uniform(rng, 5.0, 35.0)
    fast, middle = rng.uniform(0.1, 0.45), rng.uniform(0.2, 0.45)
    return Catchment(
        base_l_per_min=pump.rate_l_per_min * _log_uniform(rng, 0.008, 0.06),
        base_swing=rng.uniform(0.0, 0.6),
        base_peak_day=climate.wet_peak_day + rng.uniform(0.0, 60.0),
        reservoirs=(
            Reservoir(_log_uniform(rng, 1.0, 6.0), litres_per_mm * fast),
            Reservoir(_log_uniform(rng, 8.0, 36.0), litres_per_mm * middle),
            Reservoir(_log_uniform(rng, 50.0, 250.0), litres_per_mm * (1.0 - fast - middle)),
        ),
        delay_h=_log_uniform(rng, 0.2, 2.0),
        wobbles=(
            Wobble(_log_uniform(rng, 0.1, 0.5), rng.uniform(0.02, 0.08)),
            Wobble(_log_uniform(rng, 1.0, 4.0), rng.uniform(0.01, 0.05)),
            Wobble(_log_uniform(rng, 8.0, 24.0), rng.uniform(0.005, 0.03)),
        ),
        tile_l_per_min=pump.rate_l_per_min * rng.uniform(0.35, 0.75),
    )


def draw_pump(rng: np.random.Generator) -> PumpTruth:
    """A pump that takes 250 to 900 W while it runs."""
    running_w = _log_uniform(rng, 250.0, 900.0)
    return PumpTruth(
        running_w=running_w,
        sag=rng.uniform(*SAG),
        spread=rng.uniform(0.002, 0.015),
        inrush_w=running_w * rng.uniform(*INRUSH),
        inrush_s=rng.uniform(*INRUSH_S),
        rate_l_per_min=running_w * rng.uniform(0.15, 0.32),
        wear_per_day=rng.uniform(0.0, 0.002),
        power_factor=rng.uniform(0.55, 0.85),
    )


def draw_pit(rng: np.random.Generator) -> PitTruth:
    """A round pit, 0.42 to 0.66 m across."""
    diameter_m = rng.uniform(0.42, 0.66)
    return PitTruth(
        area_m2=math.pi * diameter_m**2 / 4.0,
        drawdown_m=rng.uniform(0.07, 0.22),
        freeboard_m=rng.uniform(0.15, 0.45),
        slop_on_m=rng.uniform(0.002, 0.012),
        slop_off_m=rng.uniform(0.001, 0.006),
    )


def draw_inverter(pump: PumpTruth, loads_w: float, rng: np.random.Generator) -> InverterTruth:
    """An inverter rated above pump and loads together, 82 to 95 % efficient at its rating, with an idle of 3 to 18 W.

    loads_w : float — power of all other loads together [W]
    """
    paco_w = (pump.running_w * 1.15 + loads_w) * rng.uniform(1.15, 2.5)
    pdco_w = paco_w / rng.uniform(*RATED_EFFICIENCY)
    pso_w = _log_uniform(rng, *IDLE_W)
    span_w = pdco_w - pso_w
    return InverterTruth(paco_w, pdco_w, pso_w, -rng.uniform(0.0, most_curved(paco_w / span_w)) / span_w)


def most_curved(slope: float) -> float:
    """Greatest curvature of an inverter's curve, times its span; slope : float — AC rating over DC span."""
    return max(min(0.09, MOST_EFFICIENT - slope), 0.0)


MOST_EFFICIENT = 0.975
"""Greatest slope of an inverter's curve: AC watts for one more watt of DC."""


def draw_pack(pump: PumpTruth, loads_w: float, rng: np.random.Generator) -> PackTruth:
    """A pack of about 0.4 to 4 kWh whose reported charge bows away from the true one.

    loads_w : float — power of all other loads together [W]
    """
    return PackTruth(
        capacity_wh=_log_uniform(rng, 500.0, 4000.0) * rng.uniform(0.82, 1.0),
        inverter=draw_inverter(pump, loads_w, rng),
        bow=rng.normal(0.0, BOW_SD),
        skew=rng.normal(0.0, SKEW_SD),
        reserve_percent=float(rng.choice([5.0, 10.0, 10.0, 15.0, 20.0])),
        charge_w=_log_uniform(rng, 150.0, 900.0),
        charge_limit=float(rng.uniform(0.8, 0.97)) if rng.random() < 0.15 else 1.0,
    )


def draw_loads(rng: np.random.Generator) -> tuple[LoadTruth, ...]:
    """The other loads, each there by chance: a router, a fridge, a small load that the site file does not list."""
    loads: list[LoadTruth] = []
    if rng.random() < 0.3:
        loads.append(LoadTruth("router", rng.uniform(5.0, 22.0)))
    if rng.random() < 0.15:
        period_s = rng.uniform(1800.0, 4800.0)
        loads.append(LoadTruth("fridge", rng.uniform(60.0, 130.0), period_s, period_s * rng.uniform(0.25, 0.5)))
    if rng.random() < UNLISTED:
        loads.append(LoadTruth("night light", rng.uniform(*UNLISTED_W), listed=False))
    return tuple(loads)


def draw_sun(rng: np.random.Generator) -> SunTruth:
    """A panel that gives 40 to 250 W at its peak."""
    return SunTruth(rng.uniform(40.0, 250.0), LATITUDE, LONGITUDE, rng.uniform(0.1, 0.8))


def draw_truth(style: Style, rng: np.random.Generator) -> TwinParameters:
    """Everything that is true of one site; it has a panel where the style is SUN."""
    pump, climate, loads = draw_pump(rng), draw_climate(rng), draw_loads(rng)
    most_w = sum(load.watts for load in loads)
    return TwinParameters(
        climate=climate,
        catchment=draw_catchment(pump, climate, rng),
        pit=draw_pit(rng),
        pump=pump,
        pack=draw_pack(pump, most_w, rng),
        loads=loads,
        sun=draw_sun(rng) if style is Style.SUN else None,
        outlook_sigma=rng.uniform(0.25, 0.6),
    )


def _about(value: float, spread: float, rng: np.random.Generator) -> float:
    """A value near another, log-normal about it with log-standard deviation `spread`."""
    return value * math.exp(rng.normal(0.0, spread))


def nameplate(site_id: str, truth: TwinParameters, sensors: tuple[Sensor, ...], rng: np.random.Generator) -> Site:
    """The owner's site file: nameplates, measurements and guesses near the truth, with some of them left out.

    sensors : tuple[Sensor, ...] — those that get a channel
    """
    pump, pit, pack = truth.pump, truth.pit, truth.pack
    rated_w = round(_about(pump.running_w, SAID_PUMP_SD, rng))
    inverter = pack.inverter
    mid_w = np.array([pump.running_w])
    efficiency = float(pump.running_w / (inverter.dc_w(mid_w)[0] - inverter.pso_w))
    said_efficiency = min(0.97, max(0.7, efficiency + rng.normal(0.0, SAID_EFFICIENCY_SD)))
    aged = rng.uniform(*AGED)
    return Site(
        id=site_id,
        name="Larkspur Lane cellar",
        timezone="America/Chicago",
        latitude=LATITUDE,
        longitude=LONGITUDE,
        pump=Pump(
            rated_voltage_v=120.0,
            rated_power_w=rated_w if rng.random() < 0.7 else None,
            rated_current_a=(round(rated_w / 120.0 / pump.power_factor, 1),) * 2,
            power_factor=round(_about(pump.power_factor, 0.05, rng), 2),
        ),
        pit=Pit(
            area_m2=round(_about(pit.area_m2, 0.08, rng), 3),
            drawdown_m=round(_about(pit.drawdown_m, 0.1, rng), 2),
            freeboard_m=round(_about(pit.freeboard_m, 0.1, rng), 2),
        ),
        pack=Pack(
            capacity_wh=round(pack.capacity_wh / aged),
            continuous_w=round(inverter.paco_w),
            surge_w=round(2.0 * inverter.paco_w),
            inverter_efficiency=round(said_efficiency, 2) if rng.random() < 0.5 else None,
            idle_w=round(_about(inverter.pso_w, SAID_IDLE_SD, rng), 1) if rng.random() < 0.5 else None,
            reserve_percent=pack.reserve_percent,
            charge_w=round(_about(pack.charge_w, 0.1, rng)) if rng.random() < 0.5 else None,
        ),
        loads=tuple(_listed(load, rng) for load in truth.loads if load.listed),
        channels=tuple(channel_of(sensor) for sensor in sensors),
    )


def _listed(load: LoadTruth, rng: np.random.Generator) -> Load:
    watts = round(_about(load.watts, SAID_LOAD_SD, rng))
    if load.period_s is None or load.on_s is None:
        return Load(load.name, watts)
    per_hour = round(_about(3600.0 / load.period_s, SAID_LOAD_SD, rng), 1)
    return Load(load.name, watts, runs_per_hour=per_hour, run_s=round(_about(load.on_s, SAID_LOAD_SD, rng)))


def channel_of(sensor: Sensor) -> Channel:
    """The site file's channel for a sensor's messages."""
    hours = sensor.quantity is Quantity.RAIN_EXPECTED
    return Channel(
        quantity=sensor.quantity,
        topic=topic_of(sensor),
        value="$.hours[*].mm" if hours else "$.value",
        time="$.hours[*].at" if hours else "$.time",
        unit=SPECS[sensor.quantity].unit or None,
        of=sensor.subject,
    )


def topic_of(sensor: Sensor) -> str:
    """MQTT topic of a sensor's messages."""
    return f"cellar/{sensor.device.replace(' ', '-')}/{sensor.quantity.value}"


OUTLOOK_SENSOR = Sensor(Quantity.RAIN_EXPECTED, "weather", 21_600.0, step=0.1, latency_s=2.0)
"""The weather service, as a sensor: every six hours it tells the rain expected in each hour of the two days ahead."""
