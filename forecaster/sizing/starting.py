"""Can it start: volt-amperes of a standing rotor against the pack's surge, its duration, the cord, and what was seen.

An observed start is stronger evidence than any rating.
"""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.site import Load, Pack, Pump
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
from forecaster.sizing.terms import Answer, Band, Finding, Step, number, spanned

ACCELERATION_S = 1.0
"""A small pump is up to speed within 0.1 to 1 s. From memory."""

SLOW_ACCELERATION_S = 3.0
"""The longest a larger pump, above 1/2 hp, takes. From memory."""

WEAK_TORQUE = 0.7
"""Below this share of its starting torque a pump may stall. At 70 % voltage it has 49 %. Common practice, no source."""

LIVE_START = "start the pump on this pack, with the real cord, from standstill, and watch it come up to speed"


@dataclass(frozen=True, slots=True)
class Inrush:
    """Locked-rotor current [A] with what it rests on; `rule` marks a rule of thumb instead of a plate or table."""

    amps: Band
    told_by: str
    formula: str
    rule: bool


def inrush(pump: Pump, draw: Draw) -> Inrush | None:
    """Locked-rotor current from the best evidence: plate amps, code letter, table, six times full load."""
    volts = pump.rated_voltage_v
    if volts is None:
        return None
    if pump.locked_rotor_current_a is not None:
        amps = pump.locked_rotor_current_a
        return Inrush(Band(0.9 * amps, amps, 1.1 * amps), "locked-rotor amps on the plate", "given, within 10 %", False)
    if pump.locked_rotor_code is not None and pump.horsepower is not None:
        low, high = locked_rotor_a(pump.locked_rotor_code, pump.horsepower, volts)
        letter = pump.locked_rotor_code.upper()
        formula = f"1000 x kVA/hp of letter {letter} x {number(pump.horsepower)} hp / {number(volts)} V"
        return Inrush(Band(low, (low + high) / 2.0, high), "code letter, NFPA 70 Table 430.7(B)", formula, False)
    if pump.horsepower is not None and pump.rated_current_a is None:
        return _from_horsepower(pump.horsepower, volts)
    full_load = draw.va.high / volts if pump.rated_current_a is None else pump.rated_current_a[1]
    return _six_times(full_load, "the nameplate's full-load current" if pump.rated_current_a else "the running draw")


def _six_times(full_load: float, of_what: str) -> Inrush:
    amps = Band(LEAST_MULTIPLE * full_load, LOCKED_ROTOR_MULTIPLE * full_load, GREATEST_MULTIPLE * full_load)
    return Inrush(amps, f"six times {of_what}, a rule of thumb", f"6 x {number(full_load)} A (seen: 4 to 8)", True)


def _from_horsepower(horsepower: float, volts: float) -> Inrush | None:
    tabled = tabled_locked_rotor_a(horsepower, volts)
    if tabled is not None:
        band = Band(LEAST_MULTIPLE / LOCKED_ROTOR_MULTIPLE * tabled, tabled, 1.1 * tabled)
        return Inrush(band, "horsepower, NFPA 70 Table 430.251(A)", f"table row of {number(horsepower)} hp", True)
    full_load = full_load_a(horsepower, volts)
    return None if full_load is None else _six_times(full_load, "full-load current, NFPA 70 Table 430.248")


@dataclass(frozen=True, slots=True)
class Demand:
    """What a start asks of the pack [VA], the torque left at the motor behind the cord, and how it was found."""

    va: Band
    torque: float
    steps: tuple[Step, ...]


def demand(found: Inrush, volts: float, cord: Cord | None, others_w: float) -> Demand:
    """Starting volt-amperes at the outlet, through the cord, on top of the other loads."""
    steps = [Step("locked-rotor current", f"{found.told_by}: {found.formula}", found.amps.mid, "A")]
    amps, torque = found.amps, 1.0
    if cord is not None:
        low, mid, high = (started_current_a(a, volts, cord) for a in (amps.low, amps.mid, amps.high))
        amps = Band(low, mid, high)
        drop = cord.drop_v(found.amps.mid)
        through = volts - cord.drop_v(amps.mid)
        torque = (through / volts) ** 2
        formula = f"{number(found.amps.mid)} A x {number(cord.resistance_ohm)} ohm, at most"
        steps.append(Step("cord drop, starting", formula, drop, "V"))
        steps.append(
            Step(
                "starting torque left, at the least",
                "(motor volts / rated volts)²",
                torque_share(volts, drop),
                "of full",
            )
        )
        steps.append(Step("locked-rotor current through the cord", "V / (V/I + cord ohm)", amps.mid, "A"))
    steps.append(Step("starting demand", f"{number(amps.mid)} A x {number(volts)} V", amps.mid * volts, "VA"))
    va = Band(amps.low * volts + others_w, amps.mid * volts + others_w, amps.high * volts + others_w)
    if others_w:
        steps.append(Step("starting demand with other loads on", f"+ {number(others_w)} W", va.mid, "VA"))
    return Demand(va, torque, tuple(steps))


def _judge(need: Demand, pack: Pack, found: Inrush, acceleration_s: float) -> Finding:
    asks = f"starting asks for {spanned(need.va, 'VA')} ({found.told_by})"
    if pack.continuous_w is not None and need.va.high <= pack.continuous_w:
        return Finding(Answer.YES, f"{asks}, within the continuous {number(pack.continuous_w)} W")
    if pack.surge_w is None:
        return Finding(Answer.UNPROVEN, f"{asks}, and the pack's surge rating is not stated", LIVE_START)
    surge = number(pack.surge_w)
    if need.va.low > pack.surge_w:
        sag = (
            f"; an inverter that sags to {surge} VA instead of tripping would leave {pack.surge_w / need.va.mid:.0%} "
            "of the starting torque (torque and starting VA both go with voltage squared)"
        )
        return Finding(
            Answer.NO,
            f"{asks}, more than the surge of {surge} W{sag}",
            f"choose a pack with a greater surge; only an observed start would outweigh the ratings: {LIVE_START}",
        )
    if need.va.high > pack.surge_w:
        return Finding(Answer.UNPROVEN, f"{asks}, on both sides of the surge of {surge} W", LIVE_START)
    if pack.surge_s is None:
        return Finding(
            Answer.UNPROVEN,
            f"{asks}, within the surge of {surge} W, but for how long it holds is not stated",
            LIVE_START,
        )
    if pack.surge_s < acceleration_s:
        return Finding(
            Answer.UNPROVEN,
            f"{asks}, within the surge of {surge} W, but that holds for {number(pack.surge_s)} s and coming up to "
            f"speed may take {number(acceleration_s)} s",
            LIVE_START,
        )
    return Finding(Answer.YES, f"{asks}, within the surge of {surge} W for {number(pack.surge_s)} s")


def _witnessed(seen: ObservedStart | None) -> Finding | None:
    if seen is None:
        return None
    watts = f", running at {number(seen.watts)} W" if seen.watts is not None else ""
    if seen.started:
        return Finding(
            Answer.YES, f"it was seen to start on this pack{watts}; an observed start is stronger than any rating"
        )
    return Finding(
        Answer.NO,
        "it was seen to fail to start on this pack; an observed start is stronger than any rating",
        "choose a pack with a greater surge, or a pump that starts more softly",
    )


def _through_cord(finding: Finding, need: Demand) -> Finding:
    if finding.answer is not Answer.YES or need.torque >= WEAK_TORQUE:
        return finding
    said = f"{finding.why}, but the cord leaves the motor only {need.torque:.0%} of its starting torque"
    return Finding(Answer.UNPROVEN, said, f"use a shorter or heavier cord, or {LIVE_START}")


def can_start(
    draw: Draw | None, pump: Pump, pack: Pack, loads: tuple[Load, ...], cord: Cord | None, seen: ObservedStart | None
) -> tuple[Finding, tuple[Step, ...]]:
    """Whether the pack brings the pump up to speed while the other loads run; with no pump, the loads' own starts."""
    others_w = sum(load.watts for load in loads)
    if draw is None:
        return _loads_start(loads, pack, others_w)
    found = inrush(pump, draw)
    witnessed = _witnessed(seen)
    if found is None or pump.rated_voltage_v is None:
        unknown = Finding(Answer.UNPROVEN, "nothing on the nameplate tells the starting current", LIVE_START)
        return witnessed or unknown, ()
    need = demand(found, pump.rated_voltage_v, cord, others_w)
    if witnessed is not None:
        return witnessed, need.steps
    horsepower = pump.horsepower or draw.w.high / 2.0 / 745.7
    quick = horsepower <= 0.5
    finding = _judge(need, pack, found, ACCELERATION_S if quick else SLOW_ACCELERATION_S)
    return _through_cord(finding, need), need.steps


def _loads_start(loads: tuple[Load, ...], pack: Pack, others_w: float) -> tuple[Finding, tuple[Step, ...]]:
    """No pump: the hardest start among the loads, while the others run."""
    hardest = max(loads, key=lambda load: (load.start_va or load.watts) - load.watts)
    need_va = others_w - hardest.watts + (hardest.start_va or hardest.watts)
    steps = (Step("starting demand", f"{hardest.name} starting, the others running", need_va, "VA"),)
    need = Demand(Band(need_va, need_va, need_va), 1.0, steps)
    as_stated = Inrush(Band(0.0, 0.0, 0.0), f"{hardest.name} starting while the others run", "given", False)
    if any(load.start_va is None and load.runs_per_hour is not None for load in loads):
        silent = ", ".join(load.name for load in loads if load.start_va is None and load.runs_per_hour is not None)
        said = f"what it takes to start {silent} is not stated"
        return Finding(Answer.UNPROVEN, said, "give start_va, or start it on this pack with everything else on"), steps
    return _judge(need, pack, as_stated, ACCELERATION_S), steps
