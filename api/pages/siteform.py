"""The nameplates of pump, pit and pack as fields of a form, and back as the content of a site file.

A field takes a plain number in the unit shown, or a number with a unit of its own: `18 in`, `1.5 kWh`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from api.pages.formunits import label
from collector.config.refused import Refused
from collector.config.written import written
from forecaster.domain.errors import UsageError
from forecaster.domain.site import Chemistry, Motor, Site, Units, Wave
from forecaster.texts.catalogue import Said, Words


@dataclass(frozen=True, slots=True)
class Plate:
    """One field of the form: its key in the site file, its unit in pint's spelling, whether it is among the first.

    unit : str — "" for a bare number, "text" for a word
    choices : tuple[str, ...] — the words to choose from, the usual one first; empty for other fields
    optional : bool — whether none of the words may be chosen
    """

    section: str
    key: str
    unit: str
    first: bool = False
    choices: tuple[str, ...] = ()
    optional: bool = False

    @property
    def name(self) -> str:
        """The field's name in the form, which is its key in the site file."""
        return f"{self.section}.{self.key}"


PLATES: tuple[Plate, ...] = (
    Plate("pump", "rated_voltage_v", "V", first=True),
    Plate("pump", "rated_current_a", "A", first=True),
    Plate("pump", "rated_power_w", "W", first=True),
    Plate("pump", "horsepower", "hp", first=True),
    Plate("pump", "power_factor", ""),
    Plate("pump", "locked_rotor_code", "text"),
    Plate("pump", "locked_rotor_current_a", "A"),
    Plate("pump", "static_head_m", "m"),
    Plate("pump", "maximum_head_m", "m"),
    Plate("pump", "rated_flow_l_per_min", "L/min"),
    Plate("pump", "rated_frequency_hz", "Hz"),
    Plate("pump", "motor", "text", choices=tuple(Motor), optional=True),
    Plate("pit", "diameter_m", "m", first=True),
    Plate("pit", "area_m2", "m**2"),
    Plate("pit", "drawdown_m", "m", first=True),
    Plate("pit", "freeboard_m", "m", first=True),
    Plate("pack", "capacity_wh", "Wh", first=True),
    Plate("pack", "continuous_w", "W", first=True),
    Plate("pack", "surge_w", "W", first=True),
    Plate("pack", "reserve_percent", "percent", first=True),
    Plate("pack", "chemistry", "text", first=True, choices=tuple(Chemistry)),
    Plate("pack", "extra_capacity_wh", "Wh"),
    Plate("pack", "continuous_va", "VA"),
    Plate("pack", "surge_s", "s"),
    Plate("pack", "output_voltage_v", "V"),
    Plate("pack", "output_frequency_hz", "Hz"),
    Plate("pack", "output_wave", "text", choices=tuple(Wave), optional=True),
    Plate("pack", "inverter_efficiency", ""),
    Plate("pack", "idle_w", "W"),
    Plate("pack", "charge_w", "W"),
)

PLATE_UNITS = {plate.name: plate.unit for plate in PLATES}

BETWEEN = r"\s*(?:–|\.\.)\s*|(?<=[^\s–.-])(?<!\d[eE])\s*-\s*"
"""What parts the ends of a range. A hyphen does so only behind a number or its unit; elsewhere it is a sign."""


@dataclass(frozen=True, slots=True)
class FormField:
    """A field as the template shows it."""

    name: str
    label: str
    unit: str
    value: str
    first: bool
    choices: tuple[tuple[str, str], ...] = ()
    fault: str = ""


@dataclass(frozen=True, slots=True)
class FormSection:
    """The fields of one table of the site file: the first ones, and the rest."""

    title: str
    hint: str
    first: tuple[FormField, ...]
    rest: tuple[FormField, ...]

    @property
    def rest_open(self) -> bool:
        """Whether something is wrong among the rest."""
        return any(field.fault for field in self.rest)


class FormReading:
    """Reads the texts of a form; what cannot be read is kept by the name of its field, and the rest is read on.

    unread : dict[str, Refused] — in the order in which it was read
    """

    def __init__(self) -> None:
        self.unread: dict[str, Refused] = {}

    def number(self, name: str, text: str, unit: str) -> float | None:
        """A number in the unit of a field; None where it cannot be read."""
        try:
            return written(text, unit)
        except Refused as error:
            self.unread[name] = error
            return None

    def refuse(self) -> None:
        """UsageError for the first that could not be read, where there is any."""
        for name, refused in self.unread.items():
            raise UsageError(Said("usage.of_field", name=name, problem=refused.problem), refused.fix)


def number_in(text: str, unit: str, name: str) -> float:
    """A number in the field's unit; UsageError where it is none, or its own unit does not convert."""
    try:
        return written(text, unit)
    except Refused as error:
        raise UsageError(Said("usage.of_field", name=name, problem=error.problem), error.fix) from None


def content_of(form: Mapping[str, str]) -> dict[str, dict[str, Any]]:
    """The tables [pump], [pit] and [pack] from a form; empty fields are left out. UsageError"""
    reading = FormReading()
    content = plates_in(form, reading)
    reading.refuse()
    return content


def plates_in(form: Mapping[str, str], reading: FormReading) -> dict[str, dict[str, Any]]:
    """The tables [pump], [pit] and [pack] from a form; what is empty or cannot be read is left out."""
    content: dict[str, dict[str, Any]] = {"pump": {}, "pit": {}, "pack": {}}
    for plate in PLATES:
        text = form.get(plate.name, "").strip()
        value = _value(plate, text, reading) if text else None
        if value is not None:
            content[plate.section][plate.key] = value
    return content


def _value(plate: Plate, text: str, reading: FormReading) -> Any:
    if plate.choices:
        return text
    if plate.unit == "text":
        return text.upper()
    if plate.key == "rated_current_a":
        ends = [part for part in re.split(rf"\s*to\s*|{BETWEEN}", text) if part]
        values = [reading.number(plate.name, end, plate.unit) for end in ends or [text]]
        return None if None in values else values[0] if len(values) == 1 else values
    return reading.number(plate.name, text, plate.unit)


def values_of(site: Site) -> dict[str, str]:
    """The values of a site as texts for the form."""
    found: dict[str, str] = {}
    for section, thing in (("pump", site.pump), ("pit", site.pit), ("pack", site.pack)):
        for field in fields(thing):
            value = getattr(thing, field.name)
            if isinstance(value, tuple):
                low, high = value
                value = f"{low:g}" if low == high else f"{low:g} – {high:g}"
            if value is not None and not value == field.default == 0:
                found[f"{section}.{field.name}"] = f"{value:.6g}" if isinstance(value, float) else str(value)
    return found


def _choices(plate: Plate, words: Words) -> tuple[tuple[str, str], ...]:
    named = tuple((choice, words(f"plate.choice.{choice}")) for choice in plate.choices)
    return (("", words("plate.choice.unstated")), *named) if plate.optional else named


def sections(
    values: Mapping[str, str],
    words: Words,
    faults: Mapping[str, str] | None = None,
    units: Units | None = None,
) -> tuple[FormSection, ...]:
    """The form's sections with their values. faults : what is wrong, by field; units : those that the fields show"""
    made = []
    for section in ("pump", "pit", "pack"):
        shown = [
            FormField(
                plate.name,
                words(f"plate.{plate.name}"),
                label(plate.name, plate.unit, units),
                values.get(plate.name, ""),
                plate.first,
                _choices(plate, words),
                (faults or {}).get(plate.name, ""),
            )
            for plate in PLATES
            if plate.section == section
        ]
        made.append(
            FormSection(
                words(f"plate.{section}.title"),
                words(f"plate.{section}.hint"),
                tuple(field for field in shown if field.first),
                tuple(field for field in shown if not field.first),
            )
        )
    return tuple(made)
