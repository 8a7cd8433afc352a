"""Can it start: the volt-amperes of a motor that stands still against the pack's surge and how long that lasts.

A cord takes away starting torque. An observed start is stronger evidence than any rating.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from forecaster.domain.site import Load, Pack, Pump
from forecaster.pack.nameplate import WATTS_PER_HP
from forecaster.sizing.cord import Cord, started_current_a, torque_share
from forecaster.sizing.draw import Draw
from forecaster.sizing.motors import (
    GREATEST_MULTIPLE,
    LEAST_MULTIPLE,
    LOCKED_ROTOR_MULTIPLE,
    full_load_a,
    locked_rotor_a,
    tabled_locked_rotor_a,
)
from forecaster.sizing.question import ObservedStart
from forecaster.sizing.terms import Answer, Band, Finding, Step, number, share, spanned, weakest
from forecaster.texts.catalogue import Said

ACCELERATION_S = 1.0
"""The longest a small pump takes to come up to speed: they need 0.1 to 1 s. From memory."""

SLOW_ACCELERATION_S = 3.0
"""The longest a larger pump, above 1/2 hp, takes to come up to speed. From memory."""

WEAK_TORQUE = 0.7
"""Below this share of its starting torque a pump may stall. At 70 % voltage it has 49 %. Common practice, no source."""

STALLED_TORQUE = 0.2
"""Below this share no pump is trusted to come up to speed. Common practice, no source."""

SAGGING_RATE = 3.0
"""Volt-amperes of a start over the capacity in Wh [1/h]. Above this a lead-acid battery may sag below the voltage at
which the inverter cuts off. Common practice, no source."""


def live_start() -> Said:
    """The words for how to find out whether the pump starts: by starting it on the pack."""
    return Said("size.settle.live_start")


@dataclass(frozen=True, slots=True)
class Inrush:
    """A pump's locked-rotor current, and what it rests on.

    amps : Band — locked-rotor current [A]
    told_by, formula : str — the evidence and the formula, in words
    rule : bool — whether it is a rule of thumb from horsepower or full load, not a locked-rotor figure of the nameplate
    conservative : bool — whether it comes from a table meant for choosing conductors: a motor may take much less
    """

    amps: Band
    told_by: str
    formula: str
    rule: bool
    conservative: bool = False


def inrush(pump: Pump, draw: Draw) -> Inrush | None:
    """Locked-rotor current from the best evidence: plate amperes, code letter, table, or six times full load.

    None without a rated voltage, or for a horsepower outside the tables.
    """
    volts = pump.rated_voltage_v
    if volts is None:
        return None
    if pump.locked_rotor_current_a is not None:
        amps = pump.locked_rotor_current_a
        return Inrush(Band(0.9 * amps, amps, 1.1 * amps), Said("size.by.plate"), Said("size.from.given_10"), False)
    if pump.locked_rotor_code is not None and pump.horsepower is not None:
        low, high = locked_rotor_a(pump.locked_rotor_code, pump.horsepower, volts)
        letter = pump.locked_rotor_code.upper()
        formula = Said("size.from.letter", letter=letter, hp=number(pump.horsepower), volts=number(volts))
        return Inrush(Band(low, (low + high) / 2.0, high), Said("size.by.letter"), formula, False)
    if pump.horsepower is not None and pump.rated_current_a is None:
        return _from_horsepower(pump.horsepower, volts)
    full_load = draw.va.high / volts if pump.rated_current_a is None else pump.rated_current_a[1]
    return _six_times(full_load, Said("size.by.six_plate" if pump.rated_current_a else "size.by.six_draw"))


def _six_times(full_load: float, told_by: Said, conservative: bool = False) -> Inrush:
    amps = Band(LEAST_MULTIPLE * full_load, LOCKED_ROTOR_MULTIPLE * full_load, GREATEST_MULTIPLE * full_load)
    return Inrush(amps, told_by, Said("size.from.six", amps=number(full_load)), True, conservative)


def _from_horsepower(horsepower: float, volts: float) -> Inrush | None:
    tabled = tabled_locked_rotor_a(horsepower, volts)
    if tabled is not None:
        band = Band(LEAST_MULTIPLE / LOCKED_ROTOR_MULTIPLE * tabled, tabled, 1.1 * tabled)
        return Inrush(band, Said("size.by.horsepower"), Said("size.from.row", hp=number(horsepower)), True)
    full_load = full_load_a(horsepower, volts)
    return None if full_load is None else _six_times(full_load, Said("size.by.six_table"), conservative=True)


@dataclass(frozen=True, slots=True)
class Demand:
    """What a start asks of the pack.

    va : Band — starting power at the outlet, the other loads included [VA]
    torque : float — share of the starting torque left at the motor behind the cord, 0..1
    """

    va: Band
    torque: float
    steps: tuple[Step, ...]


def demand(found: Inrush, volts: float, cord: Cord | None, others_w: float) -> Demand:
    """Starting volt-amperes at the outlet, the other loads included, and the torque left behind the cord.

    volts : float — the pump's rated voltage [V]
    others_w : float — power of the other loads [W]
    A cord lowers the starting current, but the volt-amperes are not lowered for it: by how much depends on the phase
    angle of the locked rotor, which no nameplate states, and a better cord would bring them back.
    """
    formula = Said("size.from.told_by", by=found.told_by, formula=found.formula)
    steps = [Step(Said("size.step.locked"), formula, found.amps.mid, "A")]
    torque = 1.0
    if cord is not None:
        torque, through = _behind(cord, found.amps.mid, volts)
        steps += through
    amps_volts = Said("size.from.amps_volts", amps=number(found.amps.mid), volts=number(volts))
    steps.append(Step(Said("size.step.demand"), amps_volts, found.amps.mid * volts, "VA"))
    low, mid, high = (amps * volts + others_w for amps in (found.amps.low, found.amps.mid, found.amps.high))
    va = Band(low, mid, high)
    if others_w:
        steps.append(Step(Said("size.step.demand_loads"), Said("size.from.plus", watts=number(others_w)), va.mid, "VA"))
    return Demand(va, torque, tuple(steps))


def _behind(cord: Cord, locked_a: float, volts: float) -> tuple[float, list[Step]]:
    """The share of the starting torque left behind a cord, 0..1, and the arithmetic.

    locked_a : float — locked-rotor current without the cord [A]
    """
    through_a = started_current_a(locked_a, volts, cord)
    drop = cord.drop_v(locked_a)
    most = Said("size.from.amps_ohm_most", amps=number(locked_a), ohm=number(cord.resistance_ohm))
    left = Said("size.unit.of_full")
    steps = [
        Step(Said("size.step.cord_starting"), most, drop, "V"),
        Step(Said("size.step.torque"), Said("size.from.torque"), torque_share(volts, drop), left),
        Step(Said("size.step.locked_cord"), Said("size.from.locked_cord"), through_a, "A"),
    ]
    return torque_share(volts, cord.drop_v(through_a)), steps


def _judge(need: Demand, pack: Pack, found: Inrush, acceleration_s: float) -> Finding:
    asks = Said("size.start.asks", va=spanned(need.va, "VA"), by=found.told_by)
    if pack.continuous_w is not None and need.va.high <= pack.continuous_w:
        return Finding(Answer.YES, Said("size.start.within_continuous", asks=asks, watts=number(pack.continuous_w)))
    if pack.surge_w is None:
        return Finding(Answer.UNPROVEN, Said("size.start.surge_unstated", asks=asks), live_start())
    surge = number(pack.surge_w)
    if need.va.low > pack.surge_w and found.conservative:
        return Finding(Answer.UNPROVEN, Said("size.start.conservative", asks=asks, surge=surge), live_start())
    if need.va.low > pack.surge_w:
        return Finding(
            Answer.NO,
            Said("size.start.above_surge", asks=asks, surge=surge, share=share(pack.surge_w / need.va.mid)),
            Said("size.settle.greater_surge", live=live_start()),
        )
    if need.va.high > pack.surge_w:
        return Finding(Answer.UNPROVEN, Said("size.start.astride", asks=asks, surge=surge), live_start())
    if pack.surge_s is None:
        return Finding(
            Answer.UNPROVEN,
            Said("size.start.untimed", asks=asks, surge=surge),
            live_start(),
        )
    if pack.surge_s < acceleration_s:
        return Finding(
            Answer.UNPROVEN,
            Said(
                "size.start.too_short",
                asks=asks,
                surge=surge,
                surge_s=number(pack.surge_s),
                needed_s=number(acceleration_s),
            ),
            live_start(),
        )
    if not pack.chemistry.is_lithium and need.va.high > SAGGING_RATE * pack.nominal_wh:
        return Finding(Answer.UNPROVEN, Said("size.start.sags", asks=asks, wh=number(pack.nominal_wh)), live_start())
    return Finding(Answer.YES, Said("size.start.within", asks=asks, surge=surge, surge_s=number(pack.surge_s)))


def _witnessed(seen: ObservedStart | None) -> Finding | None:
    if seen is None:
        return None
    if seen.started and seen.watts is None:
        return Finding(Answer.YES, Said("size.start.seen"))
    if seen.started:
        return Finding(Answer.YES, Said("size.start.seen_at", watts=number(seen.watts or 0.0)))
    return Finding(
        Answer.NO,
        Said("size.start.failed"),
        Said("size.settle.softer"),
    )


def _through_cord(finding: Finding, need: Demand) -> Finding:
    if need.torque >= WEAK_TORQUE or finding.answer is Answer.NO:
        return finding
    said = Said("size.start.weak", why=finding.why, share=share(need.torque))
    if need.torque < STALLED_TORQUE:
        return Finding(Answer.NO, said, Said("size.settle.no_cord"))
    if finding.answer is Answer.UNPROVEN:
        return finding
    return Finding(Answer.UNPROVEN, said, Said("size.settle.shorter_cord", live=live_start()))


def can_start(
    draw: Draw | None, pump: Pump, pack: Pack, loads: tuple[Load, ...], cord: Cord | None, seen: ObservedStart | None
) -> tuple[Finding, tuple[Step, ...]]:
    """Whether the pack starts the pump while the other loads run, and each load while the pump runs; the arithmetic.

    A load that starts by itself may also start at the same moment as the pump: where that is too much, it is unproven.
    draw : Draw | None — the pump's running draw; None: no pump, and at least one load
    seen : ObservedStart | None — a start seen on this pack; it goes before the ratings
    """
    others_w = sum(load.watts for load in loads)
    if draw is None:
        return loads_start(loads, pack, Band(0.0, 0.0, 0.0))
    found = inrush(pump, draw)
    witnessed = _witnessed(seen)
    alone, load_steps = loads_start(loads, pack, draw.va) if starters(loads) else (None, ())
    if found is None or pump.rated_voltage_v is None:
        pump_start = witnessed or Finding(Answer.UNPROVEN, Said("size.start.unknown"), live_start())
        return weakest(pump_start, *((alone,) if alone else ())), load_steps
    need = demand(found, pump.rated_voltage_v, cord, others_w)
    steps = (*need.steps, *load_steps)
    if witnessed is not None:
        return weakest(witnessed, *((alone,) if alone else ())), steps
    time_s = _acceleration_s(_horsepower(pump, draw))
    pump_start = _through_cord(_judge(need, pack, found, time_s), need)
    if alone is None:
        return pump_start, steps
    return weakest(pump_start, alone, _at_once(need, loads, pack, found, time_s)), steps


def _horsepower(pump: Pump, draw: Draw) -> float:
    """As its plate says it [hp]; else as if half of the most that it draws came out at the shaft."""
    return pump.horsepower or draw.w.high / 2.0 / WATTS_PER_HP


def _acceleration_s(horsepower: float) -> float:
    """The longest a pump takes to come up to speed [s]."""
    return ACCELERATION_S if horsepower <= 0.5 else SLOW_ACCELERATION_S


def starters(loads: tuple[Load, ...]) -> tuple[Load, ...]:
    """Loads that take more to start than to run, or that cycle and do not say what a start takes."""
    return tuple(load for load in loads if (load.start_va or 0.0) > load.watts or _silent(load))


def _silent(load: Load) -> bool:
    return load.start_va is None and load.runs_per_hour is not None


def _extra_va(load: Load) -> float:
    """What a start takes above running [VA]; 0 where no starting power is stated."""
    return max(0.0, (load.start_va or load.watts) - load.watts)


def _at_once(need: Demand, loads: tuple[Load, ...], pack: Pack, found: Inrush, time_s: float) -> Finding:
    """The finding for pump and loads that start at one moment: never a no, as they may also start one after another."""
    more = sum(_extra_va(load) for load in loads)
    va = Band(need.va.low + more, need.va.mid + more, need.va.high + more)
    finding = _judge(Demand(va, need.torque, ()), pack, found, time_s)
    if finding.answer is Answer.YES:
        return finding
    names = ", ".join(load.name for load in loads if _extra_va(load) > 0)
    said = Said("size.start.at_once", names=names, va=spanned(va, "VA"))
    return Finding(Answer.UNPROVEN, said, Said("size.settle.one_by_one"))


def both_at_once(
    pumps: Sequence[tuple[Pump, Draw]], pack: Pack, loads: tuple[Load, ...], cord: Cord | None, name: str
) -> Finding:
    """The finding for two pumps that start at one moment: never a no, as their floats hang apart.

    name : str — of the second one
    """
    (first, draw), (second, _) = pumps
    found = [inrush(pump, one) for pump, one in pumps]
    volts = first.rated_voltage_v, second.rated_voltage_v
    if found[0] is None or found[1] is None or volts[0] is None or volts[1] is None:
        return Finding(Answer.UNPROVEN, Said("size.start.unknown"), live_start())
    need = demand(found[0], volts[0], cord, sum(load.watts for load in loads))
    time_s = _acceleration_s(max(_horsepower(first, draw), second.horsepower or 0.0))
    return _at_once(need, (Load(name, 0.0, start_va=found[1].amps.high * volts[1]),), pack, found[0], time_s)


def loads_start(loads: tuple[Load, ...], pack: Pack, pump_va: Band) -> tuple[Finding, tuple[Step, ...]]:
    """Whether the hardest start among the loads succeeds while the others and the pump run, and the arithmetic.

    loads : tuple[Load, ...] — at least one
    pump_va : Band — the pump's running power [VA]; 0 without a pump
    """
    hardest = max(loads, key=_extra_va)
    beside = sum(load.watts for load in loads) + _extra_va(hardest)
    va = Band(pump_va.low + beside, pump_va.mid + beside, pump_va.high + beside)
    steps = (Step(Said("size.step.load_demand"), Said("size.from.hardest", name=hardest.name), va.mid, "VA"),)
    as_stated = Inrush(Band(0.0, 0.0, 0.0), Said("size.by.hardest", name=hardest.name), Said("size.from.given"), False)
    judged = _judge(Demand(va, 1.0, steps), pack, as_stated, ACCELERATION_S)
    silent = ", ".join(load.name for load in loads if _silent(load))
    if silent and judged.answer is not Answer.NO:
        said = Said("size.start.loads_unstated", names=silent)
        return Finding(Answer.UNPROVEN, said, Said("size.settle.start_va")), steps
    return judged, steps
