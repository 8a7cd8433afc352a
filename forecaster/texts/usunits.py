"""The units of documents, and what a reader of US units sees instead."""

from __future__ import annotations

from typing import NamedTuple

from forecaster.domain.site import Units

GALLON_L = 3.785411784  # US liquid gallon, 231 cubic inches of 25.4 mm
INCH_M = 0.0254
FOOT_M = 0.3048


class UnitWords(NamedTuple):
    """How a unit is worded: by the key of its text, as value * factor + offset.

    decimals : int — of a measured value; the steps of an arithmetic carry three significant digits instead
    """

    key: str
    decimals: int
    factor: float = 1.0
    offset: float = 0.0


WATER_M = "m_water"
"""In place of "m" for heights of water, which are small: inches, where a lift is in feet."""

METRIC = {
    "m": UnitWords("metres", 2),
    WATER_M: UnitWords("metres", 2),
    "mm": UnitWords("millimetres", 1),
    "mm/h": UnitWords("millimetres_per_hour", 1),
    "L": UnitWords("litres", 1),
    "L/min": UnitWords("litres_per_minute", 1),
    "L/h": UnitWords("litres_per_hour", 1),
    "°C": UnitWords("celsius", 0),
}

US = {
    "m": UnitWords("feet", 1, 1.0 / FOOT_M),
    WATER_M: UnitWords("inches", 1, 1.0 / INCH_M),
    "mm": UnitWords("rain_inches", 2, 1.0 / (1000.0 * INCH_M)),
    "mm/h": UnitWords("rain_inches_per_hour", 2, 1.0 / (1000.0 * INCH_M)),
    "L": UnitWords("gallons", 1, 1.0 / GALLON_L),
    "L/min": UnitWords("gallons_per_minute", 1, 1.0 / GALLON_L),
    "L/h": UnitWords("gallons_per_hour", 1, 1.0 / GALLON_L),
    "°C": UnitWords("fahrenheit", 0, 1.8, 32.0),
}


def worded(unit: str, units: Units | None) -> UnitWords:
    """How a reader has a unit of documents worded. KeyError for others. units : None: as in documents"""
    return (US if units is Units.US else METRIC)[unit]


def shown(value: float, unit: str, units: Units | None) -> tuple[float, str]:
    """A value in a unit of documents as a reader sees it, and the key of the text with that unit. KeyError for others.

    units : Units | None — None: as in documents
    """
    to = worded(unit, units)
    return value * to.factor + to.offset, to.key


def significant(value: float) -> str:
    """A value with three significant digits, from 1000 on whole with thousands separated."""
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    return f"{value:.3g}" if value else "0"
