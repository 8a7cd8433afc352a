"""The units of documents, and what a reader of US units sees instead."""

from __future__ import annotations

from typing import NamedTuple

from forecaster.domain.site import Units

GALLON_L = 3.785411784  # US liquid gallon, 231 cubic inches of 25.4 mm
INCH_M = 0.0254
FOOT_M = 0.3048


class UnitWords(NamedTuple):
    """How a unit is worded: by the key of its text, as value * factor + offset."""

    key: str
    factor: float = 1.0
    offset: float = 0.0


METRIC = {
    "m": UnitWords("metres"),
    "mm": UnitWords("millimetres"),
    "L/min": UnitWords("litres_per_minute"),
    "L/h": UnitWords("litres_per_hour"),
    "°C": UnitWords("celsius"),
}

US = {
    "m": UnitWords("feet", 1.0 / FOOT_M),
    "mm": UnitWords("rain_inches", 1.0 / (1000.0 * INCH_M)),
    "L/min": UnitWords("gallons_per_minute", 1.0 / GALLON_L),
    "L/h": UnitWords("gallons_per_hour", 1.0 / GALLON_L),
    "°C": UnitWords("fahrenheit", 1.8, 32.0),
}


def shown(value: float, unit: str, units: Units | None) -> tuple[float, str]:
    """A value in a unit of documents as a reader sees it, and the key of the text with that unit. KeyError for others.

    units : Units | None — None: as in documents
    """
    to = (US if units is Units.US else METRIC)[unit]
    return value * to.factor + to.offset, to.key


def significant(value: float) -> str:
    """A value with three significant digits, from 1000 on whole with thousands separated."""
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    return f"{value:.3g}" if value else "0"
