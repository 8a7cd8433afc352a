"""Sampling styles: which quantities a simulated house reports, how often and how finely."""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from forecaster.domain.quantities import Quantity
from forecaster.twin.parameters import LoadTruth
from forecaster.twin.sensors import Sensor


class Style(StrEnum):
    """How a site is measured. Where nothing else is said, the pack's charge is reported too."""

    POWER_FAST = "power-fast"  # pump power every 1 to 5 s
    POWER = "power"  # pump power every 10 to 30 s
    POWER_COUNTER = "power-counter"  # pump power and its energy counter once a minute
    ON_CHANGE = "on-change"  # pump power when it changes
    PACK_OUTPUT = "pack-output"  # no plug: the pack's own output power
    RAIN_GAUGE = "rain-gauge"  # pump power and a rain gauge
    OUTLOOK = "outlook"  # pump power, a rain gauge and rain to come
    FLOAT_ONLY = "float-only"  # the pump's float, and the pack's charge
    COUNTER_ONLY = "counter-only"  # the energy counter, and the pack's charge
    NO_CHARGE = "no-charge"  # pump power, but the pack does not report its charge
    SUN = "sun"  # pump power, a panel on the pack and its input power


FULL: tuple[Style, ...] = (
    Style.POWER_FAST,
    Style.POWER,
    Style.POWER_COUNTER,
    Style.ON_CHANGE,
    Style.PACK_OUTPUT,
    Style.RAIN_GAUGE,
    Style.OUTLOOK,
)
"""Styles of a house that measures both its pump and its pack."""

LEAN: tuple[Style, ...] = (Style.FLOAT_ONLY, Style.COUNTER_ONLY, Style.NO_CHARGE)
"""Styles that lack the pump's power or the pack's charge. Forecasts may be worse there, but must stay calibrated."""


def history_days(style: Style, rng: np.random.Generator) -> float:
    """Days on mains before the outage [days], drawn; fewer where readings are dense."""
    match style:
        case Style.POWER_FAST:
            return float(rng.uniform(1.0, 2.5))
        case Style.POWER_COUNTER | Style.ON_CHANGE | Style.FLOAT_ONLY | Style.COUNTER_ONLY:
            return float(rng.uniform(2.0, 10.0))
        case _:
            return float(rng.uniform(1.5, 6.0))


def draw_sensors(style: Style, loads: tuple[LoadTruth, ...], rng: np.random.Generator) -> tuple[Sensor, ...]:
    """The sensors of a house of this style, with drawn cadences and errors; some listed loads have one too."""
    sensors = [*_pump_sensors(style, rng)]
    if style is not Style.NO_CHARGE:
        sensors.append(_charge_sensor(rng))
    if rng.random() < 0.6 or style is Style.NO_CHARGE:  # nothing else would tell of a failure
        sensors.append(Sensor(Quantity.MAINS_PRESENT, "mains", 60.0, on_change=True))
    if style in (Style.RAIN_GAUGE, Style.OUTLOOK):
        sensors.append(Sensor(Quantity.RAIN_DEPTH, "gauge", float(rng.choice([60.0, 300.0, 600.0])), jitter=0.0))
    if style is Style.SUN:
        sensors.append(_output(Quantity.PACK_INPUT_POWER, rng))
    if style is not Style.PACK_OUTPUT and rng.random() < 0.35:
        sensors.append(_output(Quantity.PACK_OUTPUT_POWER, rng))
    for load in loads:
        if load.listed and rng.random() < 0.3:
            every_s = float(rng.choice([30.0, 60.0]))
            sensors.append(Sensor(
                Quantity.LOAD_POWER, f"plug-{load.name}", every_s, step=0.1, gain=rng.normal(0.0, 0.01),
                subject=load.name,
            ))  # fmt: skip
    return tuple(sensors)


def _charge_sensor(rng: np.random.Generator) -> Sensor:
    """A sensor of the charge: in steps of 1 % mostly, cut or rounded, at a cadence or on change."""
    step = float(rng.choice([1.0, 1.0, 1.0, 0.1]))
    on_change = bool(rng.random() < 0.35)
    every_s = float(rng.choice([300.0, 900.0])) if on_change else float(rng.choice([10.0, 30.0, 60.0]))
    return Sensor(
        Quantity.PACK_CHARGE, "pack", every_s, on_change=on_change, step=step, round_down=bool(rng.random() < 0.5)
    )


def _output(quantity: Quantity, rng: np.random.Generator) -> Sensor:
    every_s = float(rng.choice([10.0, 30.0, 60.0]))
    return Sensor(quantity, "pack", every_s, step=1.0, gain=rng.normal(0.0, 0.015))


def _pump_sensors(style: Style, rng: np.random.Generator) -> list[Sensor]:
    gain = float(rng.normal(0.0, 0.012))
    step = float(rng.choice([0.1, 1.0]))
    counter_wh = float(rng.choice([0.1, 1.0, 1.0, 10.0]))
    power = Sensor(Quantity.PUMP_POWER, "plug", 15.0, step=step, gain=gain, noise=0.004)
    counter = Sensor(Quantity.PUMP_ENERGY, "plug", 60.0, step=counter_wh, round_down=True, gain=gain)
    match style:
        case Style.POWER_FAST:
            return [_every(power, float(rng.choice([1.0, 2.0, 3.0, 5.0])))]
        case Style.POWER_COUNTER:
            return [_every(power, 60.0), counter]
        case Style.ON_CHANGE:
            return [_every(power, float(rng.choice([60.0, 300.0])), on_change=True)]
        case Style.PACK_OUTPUT:
            every_s = float(rng.choice([2.0, 5.0, 10.0]))
            return [Sensor(Quantity.PACK_OUTPUT_POWER, "pack", every_s, step=1.0, gain=gain, noise=0.004)]
        case Style.FLOAT_ONLY:
            return [Sensor(Quantity.PIT_FLOAT, "float", float(rng.choice([60.0, 300.0])), on_change=True)]
        case Style.COUNTER_ONLY:
            return [_every(counter, float(rng.choice([30.0, 60.0])))]
        case _:
            return [_every(power, float(rng.choice([10.0, 15.0, 20.0, 30.0])))]


def _every(sensor: Sensor, every_s: float, on_change: bool = False) -> Sensor:
    return Sensor(
        sensor.quantity, sensor.device, every_s, on_change=on_change, step=sensor.step, round_down=sensor.round_down,
        gain=sensor.gain, noise=sensor.noise,
    )  # fmt: skip
