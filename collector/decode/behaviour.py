"""What a field may be, told from how its values behave while somebody listens; every limit here is common practice.

Nothing is decided: each finding is a proposal with its reason, and a reason why nothing is proposed is told as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median

from collector.decode.steps import HeardValues, Steps, held, spanned, steps_of, together
from forecaster.domain.quantities import Quantity
from forecaster.texts.catalogue import Figure, Said

Key = tuple[str, str | None]
"""A topic and the path of a field in it."""

LEAST = 5
"""Values without which nothing is said of a field."""
VOLTS_OF_MAINS = ((100.0, 130.0), (200.0, 255.0))
HERTZ_OF_MAINS = ((49.5, 50.5), (59.5, 60.5))
STEADY = 0.08
"""Greatest spread of what is called steady, of its mean."""
WATTS_OF_MOTOR = (60.0, 3000.0)
AMPERES_OF_MOTOR = (1.5, 25.0)
AMPERES_OF_PAIR = (0.25, 25.0)
"""Of a motor whose power steps with it; alone, a small step may be kW as well."""
VOLTS_BETWEEN = (90.0, 260.0)
"""Power over current of a motor, so its voltage."""
BATTERY_V = (10.0, 62.0)
SAG = (0.003, 0.2)
"""How far a battery's voltage dips under a motor, of its voltage at rest."""
SLOW = 0.02
"""Greatest fall between two values of what falls slowly, of its full scale."""
SWINGS: tuple[tuple[str, float, float], ...] = (("m", 0.02, 0.9), ("cm", 2.0, 45.0), ("mm", 60.0, 900.0))
"""How far the water in a pit falls in a run, in each unit."""
COUNTED: tuple[tuple[str, float], ...] = (("Wh", 1.0), ("kWh", 1e-3), ("J", 3600.0))
"""Units of an energy counter, and how many of each are 1 Wh."""
MOST_BESIDE = 12
"""With so many others at most a field is held against, besides those of its own topic: a broker may carry hundreds."""
ALIKE = 0.3
"""Greatest difference between a counter's rise and the power's sum, of that sum."""


@dataclass(frozen=True, slots=True)
class Behaviour:
    """What a field's values behave like.

    quantity, unit : what is proposed; None: nothing
    why : the reason, in words
    excludes : Quantity | None — is not to be proposed for it, whatever its name says
    unneeded : bool — it is like something that no channel is for; a name that says more is believed
    weak : bool — much else behaves so; a name that says otherwise is believed
    """

    quantity: Quantity | None
    unit: str | None
    why: Said
    excludes: Quantity | None = None
    unneeded: bool = False
    weak: bool = False


def behaviours(heard: Mapping[Key, HeardValues], packs: frozenset[str] = frozenset()) -> dict[Key, Behaviour]:
    """What each field behaves like, where that can be told.

    packs : frozenset[str] — topics that also carry the charge of a pack
    """
    enough = {key: series for key, series in heard.items() if len(series.values) >= LEAST}
    found = {key: told for key, series in enough.items() if (told := _steady(series)) is not None}
    steps = {key: made for key, series in enough.items() if key not in found and (made := steps_of(series)) is not None}
    first = set(list(steps)[:MOST_BESIDE])
    for key, step in steps.items():
        beside = {
            other: made for other, made in steps.items() if other != key and (other[0] == key[0] or other in first)
        }
        found[key] = _yes_no(step, beside) if enough[key].yes_no else _stepping(key, step, beside, packs)
    leader = next((steps[key] for key in steps if found[key].quantity is not None), None)
    powers = [key for key in steps if found[key].unit == "W" and found[key].quantity is not None][:MOST_BESIDE]
    summed = {key: enough[key] for key in powers}
    for key, series in enough.items():
        if key not in found and not series.yes_no:
            told = _with_the_pump(series, leader) or _rising(series, summed) or _falling(series)
            if told is not None:
                found[key] = told
    return found


def _steady(series: HeardValues) -> Behaviour | None:
    low, high = min(series.values), max(series.values)
    if series.yes_no or high - low > STEADY * fmean(series.values):
        return None
    if any(least <= low and high <= most for least, most in VOLTS_OF_MAINS) and high > 100.0:
        return Behaviour(
            None, None, Said("setup.by.mains_voltage", span=spanned(low, high)), Quantity.PACK_VOLTAGE, True
        )
    whole = low == high and low == round(low)
    if not whole and any(least <= low and high <= most for least, most in HERTZ_OF_MAINS):
        return Behaviour(None, None, Said("setup.by.mains_frequency", span=spanned(low, high)), unneeded=True)
    return None


def _yes_no(step: Steps, others: Mapping[Key, Steps]) -> Behaviour:
    for other, beside in others.items():
        if not beside.yes_no and together(step, beside):
            return Behaviour(Quantity.PUMP_RUNNING, None, Said("setup.by.yes_with", other=_named(other)))
    return Behaviour(Quantity.PUMP_RUNNING, None, Said("setup.by.yes_alone", times=f"{step.edges}"), weak=True)


def _stepping(key: Key, step: Steps, others: Mapping[Key, Steps], packs: frozenset[str]) -> Behaviour:
    power = Quantity.PACK_OUTPUT_POWER if key[0] in packs else Quantity.PUMP_POWER
    size = step.high - step.low
    for other, beside in others.items():
        paired = None if beside.yes_no else _paired(size, beside.high - beside.low)
        if paired is not None and together(step, beside):
            quantity = power if paired[0] is Quantity.PUMP_POWER else paired[0]
            why = Said("setup.by.pair", size=Figure(f"{size:.3g}"), other=_named(other), volts=f"{paired[2]:.0f}")
            return Behaviour(quantity, paired[1], why)
    shown = {"low": Figure(f"{step.low:.3g}"), "high": Figure(f"{step.high:.3g}")}
    if _within(size, WATTS_OF_MOTOR):
        return Behaviour(power, "W", Said("setup.by.steps_power", **shown), weak=True)
    if _within(size, AMPERES_OF_MOTOR):
        return Behaviour(Quantity.PUMP_CURRENT, "A", Said("setup.by.steps_current", **shown), weak=True)
    return Behaviour(None, None, Said("setup.by.steps", **shown))


def _paired(size: float, beside: float) -> tuple[Quantity, str, float] | None:
    """Of two steps at once whether the first is power or current, its unit, and the voltage between them."""
    for power_first in (True, False):
        power, current = (size, beside) if power_first else (beside, size)
        for power_unit, watts in (("W", power), ("kW", 1000.0 * power)):
            for current_unit, amperes in (("A", current), ("mA", current / 1000.0)):
                moderate = _within(watts, WATTS_OF_MOTOR) and _within(amperes, AMPERES_OF_PAIR)
                if moderate and _within(watts / amperes, VOLTS_BETWEEN):
                    mine = (Quantity.PUMP_POWER, power_unit) if power_first else (Quantity.PUMP_CURRENT, current_unit)
                    return (*mine, watts / amperes)
    return None


def _within(value: float, bounds: tuple[float, float]) -> bool:
    return bounds[0] <= value <= bounds[1]


def _with_the_pump(series: HeardValues, leader: Steps | None) -> Behaviour | None:
    """What rises or falls while the pump runs: the water, or the voltage of a battery."""
    if leader is None:
        return None
    on = [held(leader, at) for at in series.times]
    return _sagging(series, on) or _sawing(series, on)


def _sagging(series: HeardValues, on: list[bool]) -> Behaviour | None:
    running = [value for value, is_on in zip(series.values, on, strict=True) if is_on]
    resting = [value for value, is_on in zip(series.values, on, strict=True) if not is_on]
    if len(running) < 2 or len(resting) < 2:
        return None
    rest, run = median(resting), median(running)
    scale, unit = (1000.0, "mV") if rest >= 1000.0 else (1.0, "V")
    inside = BATTERY_V[0] * scale <= min(series.values) and max(series.values) <= BATTERY_V[1] * scale
    if inside and _within((rest - run) / rest, SAG) and max(running) < rest:
        return Behaviour(
            Quantity.PACK_VOLTAGE,
            unit,
            Said("setup.by.sags", rest=Figure(f"{rest / scale:.3g}"), run=Figure(f"{run / scale:.3g}")),
        )
    return None


def _sawing(series: HeardValues, on: list[bool]) -> Behaviour | None:
    """Down while the pump runs and up between the runs: the height of the water; the other way round the distance."""
    changes = [
        (later - earlier, is_on) for (earlier, later), is_on in zip(pairwise(series.values), on[1:], strict=True)
    ]
    running, resting = sum(c for c, is_on in changes if is_on), sum(c for c, is_on in changes if not is_on)
    against = sum(abs(c) for c, is_on in changes if c * (running if is_on else resting) < 0)
    swing = abs(running)
    if running * resting >= 0.0 or against > 0.2 * swing or abs(resting) < 0.1 * swing:
        return None
    if running > 0:
        return Behaviour(None, None, Said("setup.by.distance"), Quantity.WATER_LEVEL)
    span = max(series.values) - min(series.values)
    unit = next((unit for unit, least, most in SWINGS if least <= span < most), None)
    if unit is None:
        return Behaviour(None, None, Said("setup.by.saws", span=Figure(f"{span:.3g}")))
    return Behaviour(Quantity.WATER_LEVEL, unit, Said("setup.by.water", span=Figure(f"{span:.3g}"), unit=unit))


def _rising(series: HeardValues, powers: Mapping[Key, HeardValues]) -> Behaviour | None:
    """What only rises: a counter. Of energy, where it rises by what a power sums to."""
    changes = [later - earlier for earlier, later in pairwise(series.values)]
    if any(change < 0 for change in changes) or sum(change > 0 for change in changes) < 2:
        return None
    rise, span_s = series.values[-1] - series.values[0], series.times[-1] - series.times[0]
    for key, power in powers.items():
        wh = power.sum_wh(series.times[0], series.times[-1])
        for unit, per_wh in COUNTED:
            if wh > 0 and abs(rise / per_wh - wh) <= ALIKE * wh:
                why = Said(
                    "setup.by.counts", rise=Figure(f"{rise:.3g}"), other=_named(key), wh=Figure(f"{wh:.3g}"), unit=unit
                )
                return Behaviour(Quantity.PUMP_ENERGY, unit, why)
    if any(abs(rise - scale * span_s) <= 0.05 * scale * span_s for scale in (1.0, 1000.0)):
        return Behaviour(None, None, Said("setup.by.seconds"), unneeded=True)
    return Behaviour(None, None, Said("setup.by.rises", rise=Figure(f"{rise:.3g}")))


def _falling(series: HeardValues) -> Behaviour | None:
    changes = [later - earlier for earlier, later in pairwise(series.values)]
    low, high = min(series.values), max(series.values)
    full = 1.0 if high <= 1.0 else 100.0
    if low < 0.0 or high > 100.0 or low == high or any(not -SLOW * full <= change <= 0 for change in changes):
        return None
    shown = {"low": Figure(f"{low:g}"), "high": Figure(f"{high:g}")}
    if full == 1.0:
        return Behaviour(Quantity.PACK_CHARGE, "ratio", Said("setup.by.falls_share", **shown), weak=True)
    if high > BATTERY_V[1] or all(value == round(value) for value in series.values):
        return Behaviour(Quantity.PACK_CHARGE, "%", Said("setup.by.falls", **shown), weak=True)
    return Behaviour(None, None, Said("setup.by.falls_open", **shown))


def _named(key: Key) -> str:
    return key[0] if key[1] is None else f"{key[0]} {key[1]}"
