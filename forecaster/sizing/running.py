"""Can it run: watts and volt-amperes against the continuous rating, everything on together, voltage, cord, cold."""

from __future__ import annotations

from forecaster.domain.site import Load, Pack, Pump
from forecaster.sizing.cord import Cord
from forecaster.sizing.draw import Draw
from forecaster.sizing.question import ObservedStart
from forecaster.sizing.terms import Answer, Band, Finding, Step, number, share, spanned, weakest
from forecaster.texts.catalogue import Said

LOW_VOLTAGE = 0.9
"""Share of its rated voltage that a motor is built to run at, NEMA MG 1 12.44, from memory."""

STALLING_VOLTAGE = 0.85
"""Below this share a loaded motor overheats or stalls. Common practice, no source."""

COLD_C, CUT_OFF_C, HOT_C = -10.0, -20.0, 45.0
"""Packs are commonly built to give power down to -10 or -20 °C, and up to 45 °C or more. Common practice, no source."""


def live_run() -> Said:
    """What settles whether a pump runs."""
    return Said("size.settle.live_run")


def together(draw: Draw | None, loads: tuple[Load, ...]) -> tuple[Band, Band]:
    """Watts and volt-amperes with everything on at once; the loads are taken at power factor 1."""
    others = sum(load.watts for load in loads)
    if draw is None:
        return Band(others, others, others), Band(others, others, others)
    w, va = draw.w, draw.va
    return (
        Band(w.low + others, w.mid + others, w.high + others),
        Band(va.low + others, va.mid + others, va.high + others),
    )


def _by_watts(w: Band, pack: Pack, run_s: float | None, what: Said) -> Finding:
    rating = pack.continuous_w
    if rating is None:
        return Finding(
            Answer.UNPROVEN,
            Said("size.run.unrated"),
            Said("size.settle.find_rating", live=live_run()),
        )
    if w.high <= rating:
        return Finding(Answer.YES, Said("size.run.within", what=what, watts=spanned(w, "W"), rating=number(rating)))
    if w.low > rating:
        return _above_continuous(w, pack, run_s, what)
    return Finding(
        Answer.UNPROVEN,
        Said("size.run.astride", what=what, watts=spanned(w, "W"), rating=number(rating)),
        Said("size.settle.measure_watts", live=live_run()),
    )


def _above_continuous(w: Band, pack: Pack, run_s: float | None, what: Said) -> Finding:
    """More than the continuous rating: only the surge could carry it, and a surge is for starting."""
    over = Said("size.run.above", what=what, watts=spanned(w, "W"), rating=number(pack.continuous_w or 0.0))
    if pack.surge_w is None or w.low > pack.surge_w:
        return Finding(Answer.NO, over, Said("size.settle.greater_continuous"))
    carried = Said("size.run.by_surge", over=over, surge=number(pack.surge_w))
    if pack.surge_s is None:
        return Finding(
            Answer.UNPROVEN,
            Said("size.run.surge_untimed", carried=carried),
            Said("size.settle.more_watts", live=live_run()),
        )
    if run_s is not None and run_s < pack.surge_s:
        return Finding(
            Answer.UNPROVEN,
            Said("size.run.surge_outlasts", carried=carried, surge_s=number(pack.surge_s), run_s=number(run_s)),
            Said("size.settle.more_watts", live=live_run()),
        )
    return Finding(
        Answer.NO,
        Said("size.run.surge_short", carried=carried, surge_s=number(pack.surge_s)),
        Said("size.settle.greater_continuous"),
    )


def _by_va(va: Band, pack: Pack, what: Said) -> Finding | None:
    """Volt-amperes against a VA rating, where one is given; None where they are within it."""
    if pack.continuous_va is None or va.high <= pack.continuous_va:
        return None
    if va.low > pack.continuous_va:
        said = Said("size.run.above_va", what=what, va=spanned(va, "VA"), rating=number(pack.continuous_va))
        return Finding(Answer.NO, said, Said("size.settle.greater_va"))
    said = Said("size.run.may_exceed_va", what=what, va=number(va.high), rating=number(pack.continuous_va))
    return Finding(Answer.UNPROVEN, said, Said("size.settle.measure_va"))


def va_caution(va: Band, pack: Pack) -> str | None:
    """Where only watts are stated and the volt-amperes exceed them: an inverter's current limit may come first."""
    if pack.continuous_va is not None or pack.continuous_w is None or va.mid <= pack.continuous_w:
        return None
    return Said("size.caution.va", va=spanned(va, "VA"), watts=number(pack.continuous_w))


def _by_cord(draw: Draw, pump: Pump, pack: Pack, cord: Cord) -> list[Finding]:
    """The current a cord may carry, and the voltage it leaves a running motor."""
    rated = pump.rated_voltage_v
    if rated is None:
        return []
    found, amps = [], draw.va.mid / rated
    if amps > cord.ampacity_a:
        said = Said("size.run.cord", amps=number(amps), awg=cord.awg, ampacity=number(cord.ampacity_a))
        found.append(Finding(Answer.NO, said, Said("size.settle.no_cord")))
    left, least = (
        ((pack.output_voltage_v or rated) - cord.drop_v(va / rated)) / rated for va in (draw.va.mid, draw.va.high)
    )
    if least < LOW_VOLTAGE:
        answer, part = (Answer.NO, left) if left < STALLING_VOLTAGE else (Answer.UNPROVEN, min(left, least))
        said = Said("size.run.drop", share=share(max(0.0, part)), least=share(LOW_VOLTAGE))
        found.append(Finding(answer, said, Said("size.settle.no_cord")))
    return found


def _by_voltage(pump: Pump, pack: Pack) -> Finding | None:
    """A pack whose output voltage is not stated may be of another voltage class than the pump."""
    if pack.output_voltage_v is not None or pump.rated_voltage_v is None:
        return None
    said = Said("size.run.voltage_unstated", volts=number(pump.rated_voltage_v))
    return Finding(Answer.UNPROVEN, said, Said("size.settle.voltage"))


def by_temperature(pack: Pack, temperature_c: float | None) -> Finding | None:
    """The cold in which a battery's own protection cuts it off, and the heat; None where neither is met."""
    if temperature_c is None:
        return None
    celsius = number(temperature_c)
    if temperature_c > HOT_C:
        return Finding(Answer.UNPROVEN, Said("size.run.hot", celsius=celsius), Said("size.settle.milder"))
    if temperature_c >= COLD_C:
        return None
    lithium = pack.chemistry.is_lithium
    answer = Answer.NO if lithium and temperature_c < CUT_OFF_C else Answer.UNPROVEN
    key = "size.run.cut_off" if answer is Answer.NO else "size.run.cold"
    return Finding(answer, Said(key, celsius=celsius), Said("size.settle.milder"))


def _observed(seen: ObservedStart | None, run_s: float | None) -> Finding | None:
    """A whole run seen on this pack settles it, if the power was not pinned at the rating."""
    if seen is None or not seen.started or seen.run_s is None or seen.pinned:
        return None
    if run_s is not None and seen.run_s < 0.8 * run_s:
        return None
    ran = number(seen.run_s)
    if seen.watts is None:
        return Finding(Answer.YES, Said("size.run.seen", run_s=ran))
    said = Said("size.run.seen_at", run_s=ran, watts=number(seen.watts))
    return Finding(Answer.YES, said)


def _cord_step(draw: Draw, rated_v: float, cord: Cord) -> Step:
    amps = draw.va.mid / rated_v
    formula = Said("size.from.amps_ohm", amps=number(amps), ohm=number(cord.resistance_ohm))
    return Step(Said("size.step.cord_running"), formula, cord.drop_v(amps), "V")


def can_run(
    draw: Draw | None, pump: Pump, pack: Pack, loads: tuple[Load, ...], run_s: float | None,
    cord: Cord | None, seen: ObservedStart | None, temperature_c: float | None = None,
) -> tuple[Finding, tuple[Step, ...]]:  # fmt: skip
    """Whether the pack carries the running draw, with everything else on it switched on at the same time.

    temperature_c : float | None — where the pack stands [°C]
    """
    w, va = together(draw, loads)
    steps = [Step(Said("size.step.most"), Said("size.from.most"), w.mid, "W")]
    what = Said("size.what.pump" if not loads else "size.what.pump_and_loads" if draw else "size.what.all")
    found: list[Finding | None] = []
    if cord is not None and draw is not None and pump.rated_voltage_v is not None:
        steps.append(_cord_step(draw, pump.rated_voltage_v, cord))
        found += _by_cord(draw, pump, pack, cord)
    found.append(by_temperature(pack, temperature_c))
    witnessed = _observed(seen, run_s)
    if witnessed is not None:
        found.append(witnessed)
    else:
        found += [_by_watts(w, pack, run_s, what), _by_va(va, pack, what)]
        found.append(_by_voltage(pump, pack) if draw is not None else None)
    return weakest(*(finding for finding in found if finding is not None)), tuple(steps)
