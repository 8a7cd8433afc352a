"""What to propose for a field that was heard: from its name, from its behaviour, in a unit that fits its values."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from collector.decode.behaviour import Behaviour
from collector.decode.steps import spanned
from forecaster.domain.quantities import SPECS, Quantity
from forecaster.texts.catalogue import Said

GUESSES: tuple[tuple[str, Quantity, str | None], ...] = (
    (r"(input|charg\w*)_?(power|watts)|p_?in|(power|watts)_?in", Quantity.PACK_INPUT_POWER, "W"),
    (r"(output|discharg\w*)_?(power|watts)|p_?out|(power|watts)_?out", Quantity.PACK_OUTPUT_POWER, "W"),
    (r"soc|state_?of_?charge|charge|battery_?(level|percent)|percent", Quantity.PACK_CHARGE, "%"),
    (r"k?wh|energy|consumption", Quantity.PUMP_ENERGY, "kWh"),
    (r"power|pwr|watts?|k?w", Quantity.PUMP_POWER, "W"),
    (r"current|amps?|amperes?", Quantity.PUMP_CURRENT, "A"),
    (r"volts?|voltage", Quantity.PACK_VOLTAGE, "V"),
    (r"temp|temperature", Quantity.PACK_TEMPERATURE, "degC"),
    (r"high_?water|flood|leak", Quantity.HIGH_WATER, None),
    (r"float", Quantity.PIT_FLOAT, None),
    (r"level|lvl|depth|distance", Quantity.WATER_LEVEL, "m"),
    (r"mains|grid|line_?present|ac_?present", Quantity.MAINS_PRESENT, None),
    (r"running|relay|on", Quantity.PUMP_RUNNING, None),
    (r"rain_?rate", Quantity.RAIN_RATE, "mm/hour"),
    (r"rain", Quantity.RAIN_DEPTH, "mm"),
)
"""Words in field names, with the quantity that they suggest and its usual unit: common practice, no source."""

ENDINGS = {
    "W": {"kw": "kW", "w": "W", "mw": "mW"}, "Wh": {"kwh": "kWh", "wh": "Wh"}, "V": {"mv": "mV", "v": "V"},
    "A": {"ma": "mA", "a": "A"}, "m": {"mm": "mm", "cm": "cm", "m": "m"}, "degC": {"f": "degF", "c": "degC"},
}  # fmt: skip
"""By stored unit what the last word of a name says of the unit."""

LIKELY: dict[Quantity, tuple[tuple[str, float, float], ...]] = {
    Quantity.PACK_CHARGE: (("%", 0.0, 100.0),),
    Quantity.PACK_VOLTAGE: (("V", 9.0, 62.0), ("mV", 9_000.0, 62_000.0)),
    Quantity.PACK_TEMPERATURE: (("degC", -30.0, 60.0), ("degF", -22.0, 140.0), ("kelvin", 243.0, 333.0)),
    Quantity.WATER_LEVEL: (("m", -1.0, 4.0), ("cm", -100.0, 400.0), ("mm", -1_000.0, 4_000.0)),
    Quantity.PUMP_CURRENT: (("A", 0.0, 60.0), ("mA", 0.0, 60_000.0)),
}
"""Between what values a quantity lies in each unit that devices tell it in; the first that holds all is proposed.

Common practice, no source.
"""

FINER = {
    (Quantity.PUMP_POWER, Quantity.PACK_OUTPUT_POWER): Quantity.PACK_OUTPUT_POWER,
    (Quantity.PUMP_RUNNING, Quantity.PIT_FLOAT): Quantity.PIT_FLOAT,
}
"""Of two quantities that behave alike the one that says more."""


@dataclass(frozen=True, slots=True)
class Suggestion:
    """What a field may be.

    quantity, unit : what is proposed; None: nothing
    named : Quantity | None — what the name alone says
    why : the reasons, in words; empty where the name is the only one
    contrary : bool — name and behaviour say different things, so nothing is proposed; agreed : both say the same
    """

    quantity: Quantity | None = None
    unit: str | None = None
    named: Quantity | None = None
    why: tuple[Said, ...] = ()
    contrary: bool = False
    agreed: bool = False


def suggestion(
    named: tuple[Quantity, str | None] | None, values: Sequence[float], behaviour: Behaviour | None
) -> Suggestion:
    """What is proposed for a field, with its reasons. named : what its name says; values : numbers of it"""
    if named is None:
        return _by_behaviour(behaviour)
    quantity, unit = named
    if behaviour is not None and behaviour.excludes is quantity:
        return Suggestion(None, None, quantity, (behaviour.why,))
    fitting, reasons = _scaled(quantity, unit, values)
    proposed = quantity if fitting is not None or unit is None else None
    if behaviour is None or behaviour.quantity is None:
        open_reason = () if behaviour is None or behaviour.unneeded else (behaviour.why,)
        return Suggestion(proposed, fitting, quantity, (*reasons, *open_reason))
    same = _finer(quantity, behaviour.quantity)
    if same is not None:
        return Suggestion(same, behaviour.unit, quantity, (behaviour.why,), agreed=True)
    if behaviour.weak:
        return Suggestion(proposed, fitting, quantity, reasons)
    return Suggestion(None, None, quantity, (behaviour.why,), contrary=True)


def named_in(topic: str, path: str | None, kind: str) -> tuple[Quantity, str | None] | None:
    """What the name of a field suggests, and the unit that it names or the usual one. kind : as of `FieldHeard`"""
    if kind not in ("number", "yes-no"):
        return None
    tail = topic.rpartition("/")[2]
    for name in map(_plain, ((path or "").rpartition(".")[2] or tail, tail)):
        for pattern, quantity, unit in GUESSES:
            fits = (unit is None) == (kind == "yes-no")
            if fits and re.search(rf"(?<![a-z])({pattern})(?![a-z])", name):
                last = re.split(r"[^a-z0-9]+", name.rstrip("']"))[-1]
                return quantity, ENDINGS.get(SPECS[quantity].unit, {}).get(last, unit) if unit else None
    return None


def _plain(name: str) -> str:
    """A name in small letters, its parts apart: `packVoltage` as `pack_voltage`."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower()


def _by_behaviour(behaviour: Behaviour | None) -> Suggestion:
    if behaviour is None:
        return Suggestion()
    return Suggestion(behaviour.quantity, behaviour.unit, None, (behaviour.why,))


def _scaled(quantity: Quantity, unit: str | None, values: Sequence[float]) -> tuple[str | None, tuple[Said, ...]]:
    """The unit in which the values of a quantity are usual, and the reason where it is not the one of its name.

    None where they are usual in no unit.
    """
    ways = LIKELY.get(quantity, ())
    if unit is None or not ways or not values:
        return unit, ()
    low, high = min(values), max(values)
    span = spanned(low, high)
    if quantity is Quantity.PACK_CHARGE and low >= 0.0 and high <= 1.0 and any(v != round(v) for v in values):
        return "ratio", (Said("setup.by.share", span=span),)
    fitting = [name for name, least, most in ways if least <= low and high <= most]
    if not fitting:
        return None, (Said("setup.by.unusual", span=span, unit=unit),)
    if unit == fitting[0] or (unit in fitting and unit != ways[0][0]):  # a unit that the name tells is believed
        return unit, ()
    return fitting[0], (Said("setup.by.scale", span=span, unit=unit, usual=fitting[0]),)


def _finer(named: Quantity, behaving: Quantity) -> Quantity | None:
    """What both say, the one that says more; None where they say different things. Powers behave alike."""
    pair = (named, behaving) if (named, behaving) in FINER else (behaving, named)
    if named is behaving or pair in FINER:
        return FINER.get(pair, named)
    return named if SPECS[named].unit == SPECS[behaving].unit == "W" else None
