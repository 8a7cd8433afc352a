"""What a nameplate says of a pump's running power, before anything was measured."""

from __future__ import annotations

from forecaster.domain.site import Pump, Site

WATTS_PER_HP = 745.7
"""Mechanical horsepower [W]."""

TYPICAL_POWER_FACTOR = 0.65
"""Fractional-horsepower motors run at 0.55 to 0.75 (common practice, no source)."""

TYPICAL_EFFICIENCY = 0.6
"""Shaft power over input of a small motor, of the order of 10 CFR 431.446's minimum for 1/4 and 1/3 hp."""

TYPICAL_RUNNING_W = 450.0
"""A one-third horsepower pump, where the nameplate says nothing that helps (common practice, no source) [W]."""

TYPICAL_VOLTAGE_V = 120.0


def running_w(pump: Pump) -> float:
    """Running power at the plug [W], by the best that the nameplate states.

    Its watts; else volts times amperes times the power factor; else horsepower over a typical efficiency; else the
    power of a typical pump.
    """
    if pump.rated_power_w is not None:
        return pump.rated_power_w
    if pump.rated_voltage_v is not None and pump.rated_current_a is not None:
        current = sum(pump.rated_current_a) / 2.0
        factor = pump.power_factor if pump.power_factor is not None else TYPICAL_POWER_FACTOR
        return pump.rated_voltage_v * current * factor
    if pump.horsepower is not None:
        return pump.horsepower * WATTS_PER_HP / TYPICAL_EFFICIENCY
    return TYPICAL_RUNNING_W


def watts_per_ampere(pump: Pump) -> float:
    """Watts of the running pump for each ampere [W/A]: the voltage times the power factor.

    A factor that the nameplate does not state follows from its watts over volts times its greater amperes, at most 1;
    else it is a typical one.
    """
    volts = pump.rated_voltage_v if pump.rated_voltage_v is not None else TYPICAL_VOLTAGE_V
    factor = pump.power_factor
    if factor is None and pump.rated_power_w is not None and pump.rated_current_a is not None:
        factor = min(1.0, pump.rated_power_w / (volts * pump.rated_current_a[1]))
    return volts * (TYPICAL_POWER_FACTOR if factor is None else factor)


def running_spread(pump: Pump) -> float:
    """Standard deviation of the natural logarithm of the running power about `running_w`, 0..1.

    The less the nameplate states, the greater it is. Common practice, no source.
    """
    if pump.rated_power_w is not None:
        return 0.15
    if pump.rated_current_a is not None:
        return 0.2
    return 0.25 if pump.horsepower is not None else 0.5


def second_flow_share(site: Site) -> float | None:
    """The second of two pumps' flow over the first one's; None where there is one only, or the plates do not say."""
    second = site.second_pump
    flows = None if second is None else (second.pump.rated_flow_l_per_min, site.pump.rated_flow_l_per_min)
    return None if flows is None or flows[0] is None or flows[1] is None else flows[0] / flows[1]
