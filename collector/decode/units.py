"""Units: every unit that can be converted is reduced, once, to a scale and an offset."""

from __future__ import annotations

import functools
import math
import re
import tokenize
from dataclasses import dataclass
from typing import Any

from forecaster.texts.catalogue import Said

SENML_UNITS = {
    "%EL": "percent",
    "%RH": "percent",
    "/": "dimensionless",
    "Cel": "degC",
    "l/s": "liter/second",
    "kW": "kW",
    "J": "joule",
}
"""SenML unit symbols (RFC 8428 section 12.1, RFC 8798) that pint spells in another way."""

SPELLING = re.compile(r"(?!\d)[\w°%²³·*/^ -]{1,32}")
"""The form of a unit. Units also come in payloads, and pint would evaluate whole expressions."""

DIMENSIONLESS = {"1", "/", "ratio", "fraction"}
HINTS = {
    "C": Said("config.write_degc_for_degrees_celsius_c"),
    "F": Said("config.write_degf_for_degrees_fahrenheit_f"),
    "w": Said("config.write_w_for_watts"),
    "wh": Said("config.write_wh_for_watt_hours"),
    "kwh": Said("config.write_kwh_for_kilowatt_hours"),
    "v": Said("config.write_v_for_volts"),
    "a": Said("config.write_a_for_amperes"),
}


@dataclass(frozen=True, slots=True)
class Conversion:
    """stored value = value * scale + offset."""

    scale: float
    offset: float

    @property
    def is_identity(self) -> bool:
        """Whether values are stored unchanged."""
        return self.scale == 1.0 and self.offset == 0.0


READER_FAULTS = (
    ArithmeticError, AssertionError, AttributeError, LookupError, MemoryError, RuntimeError, SyntaxError, TypeError,
    ValueError, tokenize.TokenError,
)  # fmt: skip
"""What pint raises, besides its own errors, for text that is not a unit."""

IDENTITY = Conversion(1.0, 0.0)


@functools.cache
def _registry() -> Any:
    import pint  # half a second: only once a unit really differs from the stored one

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=False)


@functools.lru_cache(maxsize=512)
def conversion(unit: str | None, stored: str) -> Conversion | None:
    """How to turn a value in `unit` into the stored unit; None where it does not convert.

    unit : str | None — as written in a site file; None or the stored unit itself: as it comes
    stored : str — unit of stored values in pint's spelling
    A unit whose conversion is not linear, such as decibels, does not convert here.
    """
    if unit is None or unit == stored:
        return IDENTITY
    if not stored or not (unit in DIMENSIONLESS or SPELLING.fullmatch(unit)):
        return None
    import pint

    ureg = _registry()
    name = "dimensionless" if unit in DIMENSIONLESS else unit
    try:
        source, target = ureg.Unit(name), ureg.Unit(stored)
        at = [float(ureg.Quantity(x, source).to(target).magnitude) for x in (0.0, 1.0, 2.0)]
    except (pint.PintError, *READER_FAULTS):
        return None
    step, second = at[1] - at[0], at[2] - at[1]
    if not all(map(math.isfinite, at)) or step == 0.0 or abs(second - step) > 1e-9 * abs(step):
        return None
    scale = step if at[0] else at[1]
    return Conversion(scale, at[0])


def senml_conversion(unit: str | None, fallback: str | None, stored: str) -> Conversion | None:
    """As `conversion`, for a SenML unit symbol; a record without a unit takes the channel's."""
    if unit is None:
        return conversion(fallback, stored)
    return conversion(SENML_UNITS.get(unit, unit), stored)


def hint(unit: str, stored: str) -> str:
    """A hint on how to mend a unit that does not convert."""
    return HINTS.get(unit) or Said("config.write_a_unit_that_converts_to", stored=stored)
