"""What the nameplate says of the running power, before anything is measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

from forecaster.domain.site import Pump

USUAL_POWER_FACTOR = 0.68
"""Middle of 0.55-0.75, the usual range of fractional-horsepower single-phase motors at part load and above."""

USUAL_EFFICIENCY = 0.62
"""Shaft over electrical power of a fractional-horsepower motor: 10 CFR 431.446 asks 0.62-0.76 at full load."""

WATTS_PER_HORSEPOWER = 745.7
USUAL_RUNNING_W = 450.0


@dataclass(frozen=True, slots=True)
class RunningPrior:
    """A belief about the running power before it is measured.

    watts : float — median [W]
    spread : float — standard deviation of its logarithm
    watts_per_ampere : float — to read a current as a power [W/A]
    """

    watts: float
    spread: float
    watts_per_ampere: float


def running_prior(pump: Pump) -> RunningPrior:
    """The belief that follows from the nameplate: rated power, else current, else horsepower, else a usual pump.

    A rated current is the greatest over the head range and conservative, so three quarters of it is believed;
    a range is believed at its middle.
    """
    volts = pump.rated_voltage_v if pump.rated_voltage_v is not None else 120.0
    factor = pump.power_factor
    if factor is None and pump.rated_power_w is not None and pump.rated_current_a is not None:
        factor = min(1.0, pump.rated_power_w / (volts * pump.rated_current_a[1]))
    per_ampere = volts * (USUAL_POWER_FACTOR if factor is None else factor)
    if pump.rated_power_w is not None:
        return RunningPrior(pump.rated_power_w, 0.2, per_ampere)
    if pump.rated_current_a is not None:
        low, high = pump.rated_current_a
        amperes = 0.75 * high if math.isclose(low, high) else (low + high) / 2.0
        return RunningPrior(amperes * per_ampere, 0.3, per_ampere)
    if pump.horsepower is not None:
        return RunningPrior(pump.horsepower * WATTS_PER_HORSEPOWER / USUAL_EFFICIENCY, 0.35, per_ampere)
    return RunningPrior(USUAL_RUNNING_W, 0.5, per_ampere)
