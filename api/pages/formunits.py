"""Fields of a form in the units of their reader: which unit a field shows, and a bare number read in that unit."""

from __future__ import annotations

from collections.abc import Mapping

from collector.config.written import figure_and_unit
from collector.decode.units import conversion
from forecaster.domain.site import Units

US = {"m": "ft", "m**2": "ft**2", "L/min": "gallon/min", "degC": "degF"}
"""What a reader of US units sees in place of a unit, in pint's spelling."""

US_PIT = {"m": "inch"}
"""The same for the small measures of a pit."""

LABELS = {
    "1/hour": "", "percent": "%", "text": "", "m**2": "m²", "degC": "°C", "degF": "°F", "ft**2": "ft²", "inch": "in",
    "gallon/min": "gal/min",
}  # fmt: skip


def shown_unit(name: str, unit: str, units: Units | None) -> str:
    """The unit that a field shows, in pint's spelling. unit : that of the site file"""
    if units is not Units.US:
        return unit
    return (US_PIT if name.startswith("pit.") else {}).get(unit) or US.get(unit, unit)


def label(name: str, unit: str, units: Units | None) -> str:
    """The unit beside a field, as people write it."""
    shown = shown_unit(name, unit, units)
    return LABELS.get(shown, shown)


def to_shown(values: Mapping[str, str], fields: Mapping[str, str], units: Units | None) -> dict[str, str]:
    """Values in the units of the site file as their fields show them; what carries a unit of its own stays.

    fields : the unit of each field, by name
    """
    return {name: _turned(text, fields.get(name, ""), name, units) for name, text in values.items()}


def _turned(text: str, unit: str, name: str, units: Units | None) -> str:
    shown = shown_unit(name, unit, units)
    read, how = figure_and_unit(text), None if shown == unit else conversion(unit, shown)
    if read is None or read[1] or how is None:
        return text
    return f"{read[0] * how.scale + how.offset:.6g}"


def from_shown(values: Mapping[str, str], fields: Mapping[str, str], units: Units | None) -> dict[str, str]:
    """Values as typed, each bare number with the unit that its field shows."""
    return {name: _with_unit(text, fields.get(name, ""), name, units) for name, text in values.items()}


def _with_unit(text: str, unit: str, name: str, units: Units | None) -> str:
    shown = shown_unit(name, unit, units)
    read = None if shown == unit else figure_and_unit(text)
    return f"{text.strip()} {shown}" if read is not None and not read[1] else text
