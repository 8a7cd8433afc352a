"""Can it run: everything at once against the rating, in watts and VA; voltage, frequency, wave, cord and cold."""

from __future__ import annotations

from forecaster.domain.site import Load, Motor, Pack, Pump, Wave
from forecaster.sizing.cord import Cord
from forecaster.sizing.draw import Draw
from forecaster.sizing.question import ObservedStart
from forecaster.sizing.terms import Answer, Band, Finding, Step, number, share, spanned, weakest
from forecaster.texts.catalogue import Measured, Said

LOW_VOLTAGE = 0.9
"""Least share of its rated voltage that a motor is built to run at, NEMA MG 1 12.44, from memory."""

STALLING_VOLTAGE = 0.85
"""Below this share of its rated voltage a loaded motor overheats or stalls. Common practice, no source."""

FREQUENCY_TOLERANCE = 0.05
"""How far its frequency may be from the rated one for a motor, as a share: NEMA MG 1 12.44, from memory."""

COLD_C, CUT_OFF_C, HOT_C = -10.0, -20.0, 45.0
"""Packs are commonly built to give power down to -10 or -20 °C, and up to 45 °C or more. Common practice, no source."""


def live_run() -> Said:
    """The words for how to find out whether the pack carries the pump: by letting it run on the pack."""
    return Said("size.settle.live_run")


def together(draw: Draw | None, loads: tuple[Load, ...]) -> tuple[Band, Band]:
    """Power with everything on at once, [W] and [VA]; the other loads are taken at power factor 1.

    draw : Draw | None — None: no pump
    """
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
    """The finding above the continuous rating: only the surge could carry that, and a surge is meant for starting."""
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
    """The finding where the volt-amperes exceed a stated VA rating or may do so; else None."""
    if pack.continuous_va is None or va.high <= pack.continuous_va:
        return None
    if va.low > pack.continuous_va:
        said = Said("size.run.above_va", what=what, va=spanned(va, "VA"), rating=number(pack.continuous_va))
        return Finding(Answer.NO, said, Said("size.settle.greater_va"))
    said = Said("size.run.may_exceed_va", what=what, va=number(va.high), rating=number(pack.continuous_va))
    return Finding(Answer.UNPROVEN, said, Said("size.settle.measure_va"))


def va_caution(va: Band, pack: Pack) -> str | None:
    """A caution where only watts are stated and the volt-amperes [VA] exceed them; else None.

    The inverter may reach the limit of its current before that of its power.
    """
    if pack.continuous_va is not None or pack.continuous_w is None or va.mid <= pack.continuous_w:
        return None
    return Said("size.caution.va", va=spanned(va, "VA"), watts=number(pack.continuous_w))


def _by_cord(draw: Draw, pump: Pump, pack: Pack, cord: Cord) -> list[Finding]:
    """Findings against a cord: more current than it may carry, or too little voltage left for a running motor."""
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
    """Unproven where the pack's output voltage is not stated: it may be of another class than the pump's. Else None."""
    if pack.output_voltage_v is not None or pump.rated_voltage_v is None:
        return None
    said = Said("size.run.voltage_unstated", volts=number(pump.rated_voltage_v))
    return Finding(Answer.UNPROVEN, said, Said("size.settle.voltage"))


def _by_frequency(pump: Pump, pack: Pack) -> Finding | None:
    """No where pump and pack are of two frequencies, unproven where only one of them is stated; else None."""
    rated, given = pump.rated_frequency_hz, pack.output_frequency_hz
    if rated is not None and given is not None:
        if abs(given - rated) <= FREQUENCY_TOLERANCE * rated:
            return None
        said = Said("size.run.frequency", given=number(given), rated=number(rated), most=share(FREQUENCY_TOLERANCE))
        return Finding(Answer.NO, said, Said("size.settle.frequency"))
    if rated is None and given is None:
        return None
    key, unstated = ("pump", "output_frequency_hz") if given is None else ("pack", "rated_frequency_hz")
    said = Said(f"size.run.frequency_of_{key}", hertz=number(rated or given or 0.0))
    return Finding(Answer.UNPROVEN, said, Said("size.settle.read_off", key=unstated))


def _by_wave(pump: Pump, pack: Pack) -> Finding | None:
    """The finding where the pack gives steps in place of a sine; None for a sine, or a motor with brushes.

    Such steps hold harmonics of 0.11 by the weighting of IEC 60034-1, which allows motors 0.02 to 0.03; through a
    capacitor each of them drives as much current as the sine itself.
    """
    if pack.output_wave is not Wave.MODIFIED_SINE or pump.motor is Motor.UNIVERSAL:
        return None
    if pump.motor is Motor.CAPACITOR:
        return Finding(Answer.NO, Said("size.run.wave_capacitor"), Said("size.settle.sine"))
    return Finding(Answer.UNPROVEN, Said("size.run.wave"), Said("size.settle.sine_or", live=live_run()))


def by_kind(pump: Pump, pack: Pack, *, seen: bool = False) -> list[Finding]:
    """Findings on frequency and wave form. seen : whether the pump was seen to run on this pack; a no stays one."""
    found = [one for one in (_by_frequency(pump, pack), _by_wave(pump, pack)) if one is not None]
    return [one for one in found if one.answer is Answer.NO or not seen]


def by_temperature(pack: Pack, temperature_c: float | None) -> Finding | None:
    """The finding where the pack stands too cold or too hot [°C] for its own protection; None where it does not.

    No for a lithium battery below CUT_OFF_C; otherwise unproven below COLD_C or above HOT_C.
    """
    if temperature_c is None:
        return None
    here = Measured(temperature_c, "°C")
    if temperature_c > HOT_C:
        return Finding(Answer.UNPROVEN, Said("size.run.hot", temperature=here), Said("size.settle.milder"))
    if temperature_c >= COLD_C:
        return None
    lithium = pack.chemistry.is_lithium
    answer = Answer.NO if lithium and temperature_c < CUT_OFF_C else Answer.UNPROVEN
    key = "size.run.cut_off" if answer is Answer.NO else "size.run.cold"
    return Finding(answer, Said(key, temperature=here), Said("size.settle.milder"))


def _observed(seen: ObservedStart | None, run_s: float | None) -> Finding | None:
    """A yes from a run seen on this pack, unless the power was pinned at the rating; else None.

    The run seen has to be at least 0.8 of the described one.
    """
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
    """Whether the pack carries the pump with all other loads on at the same time, and the arithmetic.

    draw : Draw | None — the pump's running draw; None: no pump
    run_s : float | None — how long one run lasts [s]; None: not described
    seen : ObservedStart | None — a run seen on this pack; it goes before the ratings
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
    if draw is not None:
        found += by_kind(pump, pack, seen=witnessed is not None)
    if witnessed is not None:
        found.append(witnessed)
    else:
        found += [_by_watts(w, pack, run_s, what), _by_va(va, pack, what)]
        found.append(_by_voltage(pump, pack) if draw is not None else None)
    return weakest(*(finding for finding in found if finding is not None)), tuple(steps)
