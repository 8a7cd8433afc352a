"""What a sizing is asked, beyond what the site file says, and the checks that it can be answered at all."""

from __future__ import annotations

import math
from dataclasses import dataclass

from forecaster.domain.errors import UsageError
from forecaster.domain.site import Driven, NamedPump, Pack, Pump, Site
from forecaster.pack.bank import pump_packs
from forecaster.sizing.cord import AMPACITY_A, Cord
from forecaster.sizing.motors import code_letter_kva_per_hp
from forecaster.sizing.pipe import Pipe
from forecaster.texts.catalogue import Said

VOLTAGE_TOLERANCE = 0.15
"""Share by which the voltages of pump and pack may differ and still be one class: 115 V on 120 V is, 120 V on 230 V is
not."""

LEAST_CAPACITY_WH, LEAST_RATING_W = 30.0, 20.0
"""Least capacity [Wh] and rating [W] of a pack that feeds a pump: a smaller figure was meant in kWh or kW. Own
assumption."""


@dataclass(frozen=True, slots=True)
class ObservedStart:
    """A start that was seen on this pack.

    started : bool — whether the pump came up to speed
    watts : float | None — its running power on the pack [W]; None: not measured
    run_s : float | None — how long that run lasted [s]; None: not known
    pinned : bool — whether the power stayed at the pack's rating, so that the pump may have asked for more
    """

    started: bool
    watts: float | None = None
    run_s: float | None = None
    pinned: bool = False


@dataclass(frozen=True, slots=True)
class InflowRecord:
    """What a site's own pump has been seen to use.

    dry_w, usual_w, wettest_day_w, wettest_hour_w : float — mean pump power at the plug over a dry, a usual and the
        wettest day, and over the wettest hour [W]
    days : float — length of the record [days]
    """

    dry_w: float
    usual_w: float
    wettest_day_w: float
    wettest_hour_w: float
    days: float


@dataclass(frozen=True, slots=True)
class Question:
    """What a person asks.

    cycles_per_hour, run_s : float | None — how often the pump starts [1/h] and how long it runs [s], both or neither;
        None: what the live forecast believes before it has seen a cycle
    running_w : float | None — measured running power at the plug [W]; None: from the nameplate
    charge_percent : float — charge at the start [%], 0..100
    cord, pipe : Cord | None, Pipe | None — between pack and pump, and behind the pump; None: not described
    temperature_c : float | None — where the pack stands [°C], -40..60
    end_of_life : bool — plan for a pack that has aged to 80 % of its capacity
    observed_start : ObservedStart | None — a start seen on this pack; None: none was tried
    sleeps_on_low_load : bool | None — whether the output was seen to switch itself off between runs; None: not tried
    record : InflowRecord | None — what the site's own pump has used
    for_hours : float | None — ask for the capacity that lasts this long [h]; None: do not ask
    probability : float — chance with which it is to last, 0.5..0.99
    pump : bool — False: the other loads alone
    """

    cycles_per_hour: float | None = None
    run_s: float | None = None
    running_w: float | None = None
    charge_percent: float = 100.0
    cord: Cord | None = None
    pipe: Pipe | None = None
    temperature_c: float | None = None
    end_of_life: bool = False
    observed_start: ObservedStart | None = None
    sleeps_on_low_load: bool | None = None
    record: InflowRecord | None = None
    for_hours: float | None = None
    probability: float = 0.9
    pump: bool = True


def _demand(ok: bool, problem: str, fix: str) -> None:
    if not ok:
        raise UsageError(problem, fix)


def _above_zero(name: str, value: float | None, unit: str) -> None:
    if value is not None:
        _demand(
            math.isfinite(value) and value > 0,
            Said("usage.is_not_above_0", name=name, value=value, unit=unit),
            Said("usage.give_in", name=name, unit=unit),
        )


def within(name: str, value: float | None, low: float, high: float, unit: str) -> None:
    """Check that a value, where one is given, is finite and in low..high. Errors: UsageError naming the field."""
    if value is not None:
        inside = math.isfinite(value) and low <= value <= high
        _demand(
            inside,
            Said("usage.is_outside_to", name=name, value=value, unit=unit, low=low, high=high),
            Said("usage.give_within_that_range", name=name),
        )


def _not_kilo(name: str, value: float | None, least: float, unit: str) -> None:
    """A figure too small for its unit was usually read off in thousands of it: 2.048 is meant as 2.048 kWh."""
    if value is not None:
        _demand(
            value >= least,
            Said("usage.is_too_small_to_be_true", name=name, value=value, unit=unit),
            Said("usage.write_if_k_were_meant", value=value * 1000, unit=unit),
        )


def check_loads(site: Site) -> None:
    """Check the other loads: figures in range, a rhythm whole or absent, a start that takes no less than running.

    Errors: UsageError naming the field.
    """
    for load in site.loads:
        name = f"loads.{load.name}"
        within(f"{name}.watts", load.watts, 0.0, 20_000.0, "W")
        within(f"{name}.start_va", load.start_va, 0.0, 1e6, "VA")
        within(f"{name}.runs_per_hour", load.runs_per_hour, 0.0, 3600.0, Said("usage.per_hour"))
        within(f"{name}.run_s", load.run_s, 0.0, 86_400.0, "s")
        paired = (load.runs_per_hour is None) == (load.run_s is None)
        _demand(paired, Said("usage.runs_per_hour_and_run_s", name=name), Said("usage.give_both_or_neither_for_a"))
        if load.start_va is not None:
            _demand(
                load.start_va >= load.watts,
                Said("usage.start_va_va_is_below_the", name=name, start_va=load.start_va, watts=load.watts),
                Said("usage.give_what_it_takes_to_start"),
            )
        if load.runs_per_hour is not None and load.run_s is not None:
            _demand(
                load.runs_per_hour * load.run_s <= 3600.0,
                Said("usage.run_s_runs_of_s_do_2", name=name, runs_per_hour=load.runs_per_hour, run_s=load.run_s),
                Said("usage.leave_both_out_for_a_load"),
            )


ROUNDING = 1e-9
"""A pump that never rests may miss that by this share."""


def check_rhythm(question: Question) -> None:
    """Check cycles and run length: both or neither, and a run that fits into its cycle. Errors: UsageError."""
    cycles, run_s = question.cycles_per_hour, question.run_s
    _above_zero("cycles_per_hour", cycles, Said("usage.per_hour"))
    _above_zero("run_s", run_s, "s")
    _above_zero("running_w", question.running_w, "W")
    if cycles is None and run_s is None:
        return
    _demand(cycles is not None, Said("usage.cycles_per_hour_missing"), Said("usage.say_how_often_the_pump_starts"))
    _demand(run_s is not None, "run_s: missing", Said("usage.say_how_many_seconds_one_run"))
    assert cycles is not None
    assert run_s is not None
    _demand(
        cycles * run_s <= 3600.0 * (1.0 + ROUNDING),
        Said("usage.run_s_runs_of_s_do", cycles=cycles, run_s=run_s),
        Said("usage.a_run_can_last_at_most", value=3600.0 / cycles),
    )


def check_pump(pump: Pump, measured: bool) -> None:
    """Check the nameplate: it needs a voltage and something that tells the power, and nothing may be impossible.

    measured : bool — whether the running power was measured, so that the nameplate need not tell it
    Errors: UsageError naming the field.
    """
    _demand(
        pump.rated_voltage_v is not None,
        "pump.rated_voltage_v: missing",
        Said("usage.copy_the_volts_from_the_nameplate"),
    )
    _above_zero("pump.rated_voltage_v", pump.rated_voltage_v, "V")
    told = measured or any(v is not None for v in (pump.rated_current_a, pump.rated_power_w, pump.horsepower))
    _demand(told, Said("usage.pump_no_current_power_or_horsepower"), Said("usage.copy_rated_current_a_rated_power"))
    for end in pump.rated_current_a or ():
        _above_zero("pump.rated_current_a", end, "A")
    if pump.rated_current_a is not None:
        low, high = pump.rated_current_a
        _demand(
            low <= high,
            Said("usage.pump_rated_current_a_is_above", low=low, high=high),
            Said("usage.put_the_smaller_current_first"),
        )
    _above_zero("pump.rated_power_w", pump.rated_power_w, "W")
    _above_zero("pump.horsepower", pump.horsepower, "hp")
    _above_zero("pump.locked_rotor_current_a", pump.locked_rotor_current_a, "A")
    _above_zero("pump.rated_flow_l_per_min", pump.rated_flow_l_per_min, "L/min")
    within("pump.power_factor", pump.power_factor, 0.1, 1.0, "")
    within("pump.rated_frequency_hz", pump.rated_frequency_hz, 40.0, 70.0, "Hz")
    if pump.locked_rotor_code is not None:
        try:
            code_letter_kva_per_hp(pump.locked_rotor_code)
        except ValueError as error:
            raise UsageError(
                Said("usage.pump_locked_rotor_code", error=str(error)), Said("usage.copy_the_letter_beside_code_on")
            ) from None
    check_power_against_current(pump)
    check_head(pump)


def check_power_against_current(pump: Pump) -> None:
    """Check that the rated watts do not exceed volts times amperes by more than 5 %. Errors: UsageError."""
    if pump.rated_power_w is None or pump.rated_current_a is None or pump.rated_voltage_v is None:
        return
    most = pump.rated_voltage_v * pump.rated_current_a[1]
    _demand(
        pump.rated_power_w <= 1.05 * most,
        Said(
            "usage.pump_rated_power_w_w_is",
            rated_power_w=pump.rated_power_w,
            rated_voltage_v=pump.rated_voltage_v,
            rated_current_a=pump.rated_current_a[1],
            most=most,
        ),
        Said("usage.check_the_three_figures_on_the"),
    )


def check_head(pump: Pump) -> None:
    """Check that heads are not negative, and the lift is below the head at which flow ceases. Errors: UsageError."""
    static, maximum = pump.static_head_m, pump.maximum_head_m
    if static is not None:
        _demand(
            math.isfinite(static) and static >= 0,
            Said("usage.pump_static_head_m_m_is", static=static),
            Said("usage.give_the_height_the_water_is"),
        )
    _above_zero("pump.maximum_head_m", maximum, "m")
    if static is not None and maximum is not None:
        _demand(
            static < maximum,
            Said("usage.pump_static_head_m_m_is_2", static=static, maximum=maximum),
            Said("usage.choose_a_pump_that_lifts_higher"),
        )


def check_pack(pack: Pack, charge_percent: float) -> None:
    """Check the pack: ratings above 0, a surge no less than the continuous rating, a reserve below the starting charge.

    charge_percent : float — charge at the start [%]
    Errors: UsageError naming the field.
    """
    _above_zero("pack.capacity_wh", pack.capacity_wh, "Wh")
    _not_kilo("pack.capacity_wh", pack.capacity_wh, LEAST_CAPACITY_WH, "Wh")
    for name, value, unit in (
        ("pack.continuous_w", pack.continuous_w, "W"),
        ("pack.continuous_va", pack.continuous_va, "VA"),
        ("pack.surge_w", pack.surge_w, "W"),
        ("pack.surge_s", pack.surge_s, "s"),
        ("pack.output_voltage_v", pack.output_voltage_v, "V"),
        ("pack.charge_w", pack.charge_w, "W"),
    ):
        _above_zero(name, value, unit)
    for name, value in (("pack.continuous_w", pack.continuous_w), ("pack.surge_w", pack.surge_w)):
        _not_kilo(name, value, LEAST_RATING_W, "W")
    within("pack.output_frequency_hz", pack.output_frequency_hz, 40.0, 70.0, "Hz")
    within("pack.inverter_efficiency", pack.inverter_efficiency, 0.3, 1.0, "")
    within("pack.idle_w", pack.idle_w, 0.0, 500.0, "W")
    within("pack.extra_capacity_wh", pack.extra_capacity_wh, 0.0, 1e7, "Wh")
    within("charge_percent", charge_percent, 0.0, 100.0, "%")
    within("pack.reserve_percent", pack.reserve_percent, 0.0, 99.0, "%")
    _demand(
        pack.reserve_percent < charge_percent,
        Said(
            "usage.pack_reserve_percent_is_not_below",
            reserve_percent=pack.reserve_percent,
            charge_percent=charge_percent,
        ),
        Said("usage.lower_the_reserve_or_start_with"),
    )
    if pack.surge_w is not None and pack.continuous_w is not None:
        _demand(
            pack.surge_w >= pack.continuous_w,
            Said("usage.pack_surge_w_w_is_below", surge_w=pack.surge_w, continuous_w=pack.continuous_w),
            Said("usage.check_both_ratings_the_surge_is"),
        )


def check_voltages(pump: Pump, pack: Pack) -> None:
    """Check that pump and pack are of one voltage class, where both are told. Errors: UsageError."""
    pump_v, pack_v = pump.rated_voltage_v, pack.output_voltage_v
    if pump_v is None or pack_v is None:
        return
    _demand(
        abs(pump_v - pack_v) <= VOLTAGE_TOLERANCE * max(pump_v, pack_v),
        Said("usage.pump_rated_voltage_v_a_v", pump_v=pump_v, pack_v=pack_v),
        Said("usage.choose_a_pack_of_the_pumps"),
    )


def check_second(second: NamedPump, pack: Pack) -> None:
    """Check the second of two pumps: its plate, or on water pressure its flow and heads. Errors: UsageError."""
    _above_zero("pumps.starts_above_m", second.starts_above_m, "m")
    _above_zero("pumps.supply_l_per_l", second.supply_l_per_l, "L/L")
    if second.driven_by is Driven.PACK:
        check_pump(second.pump, measured=False)
        check_voltages(second.pump, pack)
    else:
        _above_zero("pumps.rated_flow_l_per_min", second.pump.rated_flow_l_per_min, "L/min")
        check_head(second.pump)


def check_extras(question: Question) -> None:
    """Check cord, pipe, temperature, and the hours and chance asked for. Errors: UsageError naming the field."""
    if question.cord is not None:
        gauges = ", ".join(str(g) for g in sorted(AMPACITY_A))
        known = question.cord.awg in AMPACITY_A
        _demand(
            known, Said("usage.cord_awg_is_not_in_the", awg=question.cord.awg), Said("usage.give_one_of", gauges=gauges)
        )
        _above_zero("cord_length_m", question.cord.length_m, "m")
    if question.pipe is not None:
        _above_zero("pipe_bore_m", question.pipe.bore_m, "m")
        _above_zero("pipe_length_m", question.pipe.length_m, "m")
        within("pipe_c", question.pipe.hazen_williams_c, 40.0, 160.0, "")
    within("temperature_c", question.temperature_c, -40.0, 60.0, "°C")
    _above_zero("for_hours", question.for_hours, "h")
    within("probability", question.probability, 0.5, 0.99, "")


def check(site: Site, question: Question) -> None:
    """Check site and question together. Errors: UsageError naming the first field at fault, and how to mend it."""
    check_rhythm(question)
    if question.pump:
        check_pump(site.pump, question.running_w is not None)
        check_voltages(site.pump, pump_packs(site)[0])
        if site.second_pump is not None:
            check_second(site.second_pump, pump_packs(site)[-1])
    check_pack(site.pack, question.charge_percent)
    for named in site.packs:
        check_pack(named.pack, question.charge_percent)
    check_loads(site)
    check_extras(question)
    _demand(
        question.pump or bool(site.loads),
        Said("usage.loads_none_is_described"),
        Said("usage.describe_a_load_or_size_for"),
    )
