"""What is asked of a sizing, beside the site file, and the check that it can be answered at all."""

from __future__ import annotations

import math
from dataclasses import dataclass

from forecaster.domain.errors import UsageError
from forecaster.domain.site import Pack, Pump, Site
from forecaster.sizing.cord import AMPACITY_A, Cord
from forecaster.sizing.motors import code_letter_kva_per_hp
from forecaster.sizing.pipe import Pipe

VOLTAGE_TOLERANCE = 0.15
"""A pump and a pack further apart than this are not of one voltage class: 115 on 120 V is, 120 on 230 V is not."""

LEAST_CAPACITY_WH, LEAST_RATING_W = 30.0, 20.0
"""No pack that feeds a pump has less: a smaller figure was meant in kWh or kW. Own assumption."""


@dataclass(frozen=True, slots=True)
class ObservedStart:
    """A start that was seen on this pack.

    started : bool — whether the pump came up to speed
    watts : float | None — its running power on the pack [W]
    run_s : float | None — how long that run lasted [s]
    pinned : bool — the power sat at the pack's rating, so the true demand may be higher
    """

    started: bool
    watts: float | None = None
    run_s: float | None = None
    pinned: bool = False


@dataclass(frozen=True, slots=True)
class InflowRecord:
    """What a site's own pump has been seen to use, as mean pump power at the plug [W]; None: not on record.

    days : float — how much of the record was watched [d]
    """

    dry_w: float
    usual_w: float
    wettest_day_w: float
    wettest_hour_w: float
    days: float


@dataclass(frozen=True, slots=True)
class Question:
    """What a person asks.

    cycles_per_hour, run_s : float | None — how often and how long the pump runs; None: the live forecast's own
        belief before the first cycle was seen
    pump : bool — False: the other loads alone
    running_w : float | None — measured running power [W]
    charge_percent : float — charge at the start [%]
    sleeps_on_low_load : bool | None — whether a rehearsal saw the output fall asleep between runs
    temperature_c : float | None — where the pack stands [°C]
    end_of_life : bool — plan for a pack that has aged to 80 % of its capacity
    for_hours, probability — the other way round: the capacity that lasts so long with this chance
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
            math.isfinite(value) and value > 0, f"{name}: {value:g} {unit} is not above 0", f"give {name} in {unit}"
        )


def within(name: str, value: float | None, low: float, high: float, unit: str) -> None:
    if value is not None:
        inside = math.isfinite(value) and low <= value <= high
        _demand(inside, f"{name}: {value:g} {unit} is outside {low:g} to {high:g}", f"give {name} within that range")


def _not_kilo(name: str, value: float | None, least: float, unit: str) -> None:
    """A figure too small for its unit was mostly read in thousands of it: 2.048 is 2.048 kWh."""
    if value is not None:
        _demand(
            value >= least,
            f"{name}: {value:g} {unit} is too small to be true",
            f"write {value * 1000:g} if k{unit} were meant",
        )


def check_loads(site: Site) -> None:
    """The other loads: signs, ranges, both of a rhythm, and a start that takes no less than running."""
    for load in site.loads:
        name = f"loads.{load.name}"
        within(f"{name}.watts", load.watts, 0.0, 20_000.0, "W")
        within(f"{name}.start_va", load.start_va, 0.0, 1e6, "VA")
        within(f"{name}.runs_per_hour", load.runs_per_hour, 0.0, 3600.0, "per hour")
        within(f"{name}.run_s", load.run_s, 0.0, 86_400.0, "s")
        paired = (load.runs_per_hour is None) == (load.run_s is None)
        _demand(paired, f"{name}: runs_per_hour and run_s belong together", "give both, or neither for a steady load")
        if load.start_va is not None:
            _demand(
                load.start_va >= load.watts,
                f"{name}.start_va: {load.start_va:g} VA is below the {load.watts:g} W it runs at",
                "give what it takes to start, which is never less than what it takes to run",
            )
        if load.runs_per_hour is not None and load.run_s is not None:
            _demand(
                load.runs_per_hour * load.run_s <= 3600.0,
                f"{name}.run_s: {load.runs_per_hour:g} runs of {load.run_s:g} s do not fit into an hour",
                "leave both out for a load that is always on",
            )


def check_rhythm(question: Question) -> None:
    """Cycles and run length: both or neither, and a run that fits into its cycle."""
    cycles, run_s = question.cycles_per_hour, question.run_s
    _above_zero("cycles_per_hour", cycles, "per hour")
    _above_zero("run_s", run_s, "s")
    _above_zero("running_w", question.running_w, "W")
    if cycles is None and run_s is None:
        return
    _demand(cycles is not None, "cycles_per_hour: missing", "say how often the pump starts in an hour")
    _demand(run_s is not None, "run_s: missing", "say how many seconds one run lasts")
    assert cycles is not None
    assert run_s is not None
    _demand(
        cycles * run_s <= 3600.0,
        f"run_s: {cycles:g} runs of {run_s:g} s do not fit into an hour",
        f"a run can last at most {3600.0 / cycles:g} s at that rate",
    )


def check_pump(pump: Pump, measured: bool) -> None:
    """The nameplate: a voltage, something that tells the power, and nothing impossible."""
    _demand(pump.rated_voltage_v is not None, "pump.rated_voltage_v: missing", "copy the volts from the nameplate")
    _above_zero("pump.rated_voltage_v", pump.rated_voltage_v, "V")
    told = measured or any(v is not None for v in (pump.rated_current_a, pump.rated_power_w, pump.horsepower))
    _demand(told, "pump: no current, power or horsepower", "copy rated_current_a, rated_power_w or horsepower")
    for end in pump.rated_current_a or ():
        _above_zero("pump.rated_current_a", end, "A")
    if pump.rated_current_a is not None:
        low, high = pump.rated_current_a
        _demand(low <= high, f"pump.rated_current_a: {low:g} is above {high:g}", "put the smaller current first")
    _above_zero("pump.rated_power_w", pump.rated_power_w, "W")
    _above_zero("pump.horsepower", pump.horsepower, "hp")
    _above_zero("pump.locked_rotor_current_a", pump.locked_rotor_current_a, "A")
    _above_zero("pump.rated_flow_l_per_min", pump.rated_flow_l_per_min, "L/min")
    within("pump.power_factor", pump.power_factor, 0.1, 1.0, "")
    if pump.locked_rotor_code is not None:
        try:
            code_letter_kva_per_hp(pump.locked_rotor_code)
        except ValueError as error:
            raise UsageError(
                f"pump.locked_rotor_code: {error}", "copy the letter beside CODE on the nameplate"
            ) from None
    check_power_against_current(pump)
    check_head(pump)


def check_power_against_current(pump: Pump) -> None:
    """Watts cannot exceed volts times amps."""
    if pump.rated_power_w is None or pump.rated_current_a is None or pump.rated_voltage_v is None:
        return
    most = pump.rated_voltage_v * pump.rated_current_a[1]
    _demand(
        pump.rated_power_w <= 1.05 * most,
        f"pump.rated_power_w: {pump.rated_power_w:g} W is more than {pump.rated_voltage_v:g} V x "
        f"{pump.rated_current_a[1]:g} A = {most:.0f} VA",
        "check the three figures on the nameplate",
    )


def check_head(pump: Pump) -> None:
    """Heads are not negative, and the lift is below the head at which flow ceases."""
    static, maximum = pump.static_head_m, pump.maximum_head_m
    if static is not None:
        _demand(
            math.isfinite(static) and static >= 0,
            f"pump.static_head_m: {static:g} m is negative",
            "give the height the water is lifted, from the water in the pit to the outlet",
        )
    _above_zero("pump.maximum_head_m", maximum, "m")
    if static is not None and maximum is not None:
        _demand(
            static < maximum,
            f"pump.static_head_m: {static:g} m is not below the maximum head of {maximum:g} m, so no water would flow",
            "choose a pump that lifts higher, or check both heads",
        )


def check_pack(pack: Pack, charge_percent: float) -> None:
    """The pack: ratings above zero and in order, a reserve below the charge at the start."""
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
    within("pack.inverter_efficiency", pack.inverter_efficiency, 0.3, 1.0, "")
    within("pack.idle_w", pack.idle_w, 0.0, 500.0, "W")
    within("pack.extra_capacity_wh", pack.extra_capacity_wh, 0.0, 1e7, "Wh")
    within("charge_percent", charge_percent, 0.0, 100.0, "%")
    within("pack.reserve_percent", pack.reserve_percent, 0.0, 99.0, "%")
    _demand(
        pack.reserve_percent < charge_percent,
        f"pack.reserve_percent: {pack.reserve_percent:g} % is not below the charge of {charge_percent:g} %",
        "lower the reserve, or start with a fuller pack",
    )
    if pack.surge_w is not None and pack.continuous_w is not None:
        _demand(
            pack.surge_w >= pack.continuous_w,
            f"pack.surge_w: {pack.surge_w:g} W is below continuous_w of {pack.continuous_w:g} W",
            "check both ratings: the surge is the greater one",
        )


def check_voltages(pump: Pump, pack: Pack) -> None:
    """Pump and pack must be of one voltage class."""
    pump_v, pack_v = pump.rated_voltage_v, pack.output_voltage_v
    if pump_v is None or pack_v is None:
        return
    _demand(
        abs(pump_v - pack_v) <= VOLTAGE_TOLERANCE * max(pump_v, pack_v),
        f"pump.rated_voltage_v: a {pump_v:g} V pump cannot run from a pack that gives {pack_v:g} V",
        "choose a pack of the pump's voltage, or correct pack.output_voltage_v",
    )


def check_extras(question: Question) -> None:
    """Cord, pipe, temperature, and the wish for hours."""
    if question.cord is not None:
        gauges = ", ".join(str(g) for g in sorted(AMPACITY_A))
        known = question.cord.awg in AMPACITY_A
        _demand(known, f"cord_awg: {question.cord.awg} is not in the table", f"give one of {gauges}")
        _above_zero("cord_length_m", question.cord.length_m, "m")
    if question.pipe is not None:
        _above_zero("pipe_bore_m", question.pipe.bore_m, "m")
        _above_zero("pipe_length_m", question.pipe.length_m, "m")
        within("pipe_c", question.pipe.hazen_williams_c, 40.0, 160.0, "")
    within("temperature_c", question.temperature_c, -40.0, 60.0, "°C")
    _above_zero("for_hours", question.for_hours, "h")
    within("probability", question.probability, 0.5, 0.99, "")


def check(site: Site, question: Question) -> None:
    """Raise UsageError naming the first field that is missing or impossible, and how to mend it."""
    check_rhythm(question)
    if question.pump:
        check_pump(site.pump, question.running_w is not None)
        check_voltages(site.pump, site.pack)
    check_pack(site.pack, question.charge_percent)
    check_loads(site)
    check_extras(question)
    _demand(question.pump or bool(site.loads), "loads: none is described", "describe a load, or size for the pump")
