"""The pump's running draw from its nameplate, in watts and in volt-amperes. The head says where in a range it lies."""

from __future__ import annotations

import math
from dataclasses import dataclass

from forecaster.domain.site import Pump
from forecaster.pack.nameplate import TYPICAL_POWER_FACTOR, WATTS_PER_HP
from forecaster.sizing.motors import efficiency_band, full_load_a
from forecaster.sizing.pipe import Pipe, friction_head_m, operating_point
from forecaster.sizing.terms import Band, Step, number, share
from forecaster.texts.catalogue import Figure, Measured, Said

POWER_FACTOR = Band(0.55, TYPICAL_POWER_FACTOR, 0.9)
"""Running power factor where the nameplate gives none. Fractional-horsepower motors usually show 0.55 to 0.75;
the upper end allows for permanent-split-capacitor motors, which reach higher. Common practice, no source."""

METER_ERROR = 0.03
"""Doubt of a running power that a person read from a plug meter, as a share. Common practice, no source."""

NAMEPLATE_LOW = 0.7
"""A nameplate power or single current is the greatest over all heads. A running pump may take as little as this share
of it. Common practice, no source."""

HORSEPOWER_LOW_LOAD = 0.7
"""Least share of its rated horsepower that a pump gives at the shaft, where the horsepower is all that is known."""


@dataclass(frozen=True, slots=True)
class Draw:
    """What the pump takes while it runs, at the outlet.

    w, va : Band — [W], [VA]; w never exceeds va
    head_m : float | None — total head that the pump lifts against [m]; None: no static head described
    told_by : str — what the watts rest on
    """

    w: Band
    va: Band
    head_m: float | None
    told_by: str
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]


def flow_share(head_m: float, maximum_head_m: float) -> float:
    """Flow at a head [m] as a share of the greatest flow, 0..1, on the pump curve H = Hmax (1 - q²)."""
    return math.sqrt(max(0.0, 1.0 - head_m / maximum_head_m))


def total_head(pump: Pump, pipe: Pipe | None) -> tuple[float | None, list[Step]]:
    """Total head [m] and its arithmetic: static head, plus friction where a pipe and a flow are described.

    None without a static head.
    """
    if pump.static_head_m is None:
        return None, []
    steps = [Step(Said("size.step.static_head"), Said("size.from.given"), pump.static_head_m, "m")]
    if pipe is None or pump.rated_flow_l_per_min is None:
        return pump.static_head_m, steps
    if pump.maximum_head_m is None:
        friction = friction_head_m(pipe, pump.rated_flow_l_per_min)
        steps.append(Step(Said("size.step.friction"), Said("size.from.friction"), friction, "m"))
        return pump.static_head_m + friction, steps
    flow, head = operating_point(pump.static_head_m, pump.maximum_head_m, pump.rated_flow_l_per_min, pipe)
    steps.append(Step(Said("size.step.flow"), Said("size.from.flow"), flow, "L/min"))
    steps.append(Step(Said("size.step.total_head"), Said("size.from.total_head"), head, "m"))
    return head, steps


def place(low: float, high: float, head_m: float | None, maximum_head_m: float | None) -> tuple[float, Step | None]:
    """The draw within a nameplate range, in the unit of the range, and the step that explains it.

    The draw rises with the flow, so it falls as the head rises. Where either head is missing it is the middle of the
    range, without a step.
    low, high : float — the range
    head_m, maximum_head_m : float | None — total head, and the head at which flow ceases [m]
    """
    if head_m is None or maximum_head_m is None:
        return (low + high) / 2.0, None
    spot = flow_share(head_m, maximum_head_m)
    formula = Said("size.from.place", head=Measured(head_m, "m"), most=Measured(maximum_head_m, "m"))
    return low + (high - low) * spot, Step(Said("size.step.place"), formula, spot, Said("size.unit.of_range"))


def _from_measurement(running_w: float, pump: Pump) -> tuple[Band, Band, list[Step]]:
    watts = Band(running_w * (1 - METER_ERROR), running_w, running_w * (1 + METER_ERROR))
    steps = [Step(Said("size.step.running"), Said("size.from.measured"), running_w, "W")]
    if pump.power_factor is not None:
        return watts, watts.times(1.0 / pump.power_factor), steps
    if pump.rated_current_a is not None and pump.rated_voltage_v is not None:
        low, high = (a * pump.rated_voltage_v for a in pump.rated_current_a)
        return watts, _at_least(Band(low, (low + high) / 2.0, high), watts), steps
    return watts, _at_least(watts.over(POWER_FACTOR), watts), steps


def _at_least(va: Band, watts: Band) -> Band:
    """The volt-amperes, raised to the watts where they were below them."""
    return Band(max(va.low, watts.low), max(va.mid, watts.mid), max(va.high, watts.high))


def _va_of_nameplate(pump: Pump, head_m: float | None, steps: list[Step]) -> Band | None:
    if pump.rated_current_a is None or pump.rated_voltage_v is None:
        return None
    volts, (low_a, high_a) = pump.rated_voltage_v, pump.rated_current_a
    low_va, high_va = volts * low_a, volts * high_a
    if low_a < high_a:
        steps.append(
            Step(
                Said("size.step.va_least"),
                Said("size.from.volts_amps", volts=number(volts), amps=number(low_a)),
                low_va,
                "VA",
            )
        )
        steps.append(
            Step(
                Said("size.step.va_most"),
                Said("size.from.volts_amps", volts=number(volts), amps=number(high_a)),
                high_va,
                "VA",
            )
        )
        mid_va, step = place(low_va, high_va, head_m, pump.maximum_head_m)
        if step is not None:
            steps.append(step)
        steps.append(
            Step(Said("size.step.va"), Said("size.from.by_head" if step else "size.from.middle"), mid_va, "VA")
        )
        return Band(low_va, mid_va, high_va)
    steps.append(
        Step(
            Said("size.step.va"), Said("size.from.volts_amps", volts=number(volts), amps=number(high_a)), high_va, "VA"
        )
    )
    return Band(NAMEPLATE_LOW * high_va, high_va, high_va)


def _from_current(va: Band, pump: Pump, steps: list[Step]) -> Band:
    if pump.power_factor is not None:
        factor = pump.power_factor
        watts = va.times(factor)
    else:
        factor = POWER_FACTOR.mid
        watts = Band(va.low * POWER_FACTOR.low, va.mid * factor, va.high * POWER_FACTOR.high)
    formula = Said("size.from.factor", va=number(va.mid), factor=number(factor))
    steps.append(Step(Said("size.step.running"), formula, watts.mid, "W"))
    return watts


def _from_horsepower(horsepower: float, pump: Pump, steps: list[Step]) -> tuple[Band, Band]:
    worst, usual, best = efficiency_band(horsepower)
    shaft = horsepower * WATTS_PER_HP
    steps.append(
        Step(
            Said("size.step.shaft"),
            Said("size.from.shaft", hp=number(horsepower), watts=Figure(f"{WATTS_PER_HP}")),
            shaft,
            "W",
        )
    )
    watts = Band(HORSEPOWER_LOW_LOAD * shaft / best, shaft / usual, shaft / worst)
    formula = Said("size.from.efficiency", watts=number(shaft), share=number(usual))
    steps.append(Step(Said("size.step.running"), formula, watts.mid, "W"))
    assert pump.rated_voltage_v is not None
    tabled = full_load_a(horsepower, pump.rated_voltage_v)
    va = _at_least(Band(watts.low, watts.mid / POWER_FACTOR.mid, watts.high / POWER_FACTOR.low), watts)
    if tabled is not None:
        most = tabled * pump.rated_voltage_v
        formula = Said("size.from.tabled", amps=number(tabled), volts=number(pump.rated_voltage_v))
        steps.append(Step(Said("size.step.va_full"), formula, most, "VA"))
    return watts, va


def running_draw(pump: Pump, running_w: float | None, pipe: Pipe | None = None) -> Draw:
    """The running draw from the best evidence there is: a measurement, else rated watts, amperes or horsepower.

    pump : Pump — already checked by `question.check_pump`
    running_w : float | None — measured running power [W]; None: not measured
    """
    head, steps = total_head(pump, pipe)
    cautions: list[str] = []
    if running_w is not None:
        watts, va, more = _from_measurement(running_w, pump)
        return Draw(watts, va, head, "a measurement", (*steps, *more), ())
    va_plate = _va_of_nameplate(pump, head, steps)
    if pump.rated_power_w is not None:
        rated = pump.rated_power_w
        watts = Band(NAMEPLATE_LOW * rated, rated, rated)
        steps.append(Step(Said("size.step.running"), Said("size.from.rated"), rated, "W"))
        factor = Band(POWER_FACTOR.low, POWER_FACTOR.mid, POWER_FACTOR.high)
        by_factor = watts.times(1.0 / pump.power_factor) if pump.power_factor else watts.over(factor)
        va, told_by = _at_least(va_plate or by_factor, watts), "rated watts"
    elif va_plate is not None:
        watts, va, told_by = _from_current(va_plate, pump, steps), va_plate, "rated amps"
    else:
        assert pump.horsepower is not None
        watts, va = _from_horsepower(pump.horsepower, pump, steps)
        told_by = "horsepower"
    cautions.extend(head_cautions(pump, head))
    return Draw(watts, va, head, told_by, tuple(steps), tuple(cautions))


def head_cautions(pump: Pump, head_m: float | None) -> list[str]:
    """A caution where the draw was placed within a range of currents by the head [m]; else nothing."""
    if head_m is None or pump.maximum_head_m is None or pump.rated_current_a is None:
        return []
    if pump.rated_current_a[0] == pump.rated_current_a[1]:
        return []
    return [Said("size.caution.head", head=Measured(head_m, "m"), share=share(head_m / pump.maximum_head_m))]
