"""English: every word of times, ranges and units that people read."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

WORDING: Mapping[str, str] = MappingProxyType(
    {
        "weekdays": "Mon Tue Wed Thu Fri Sat Sun",
        "months": "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec",
        "clock": "{hour:02d}:{minute:02d}",
        "clock.zone": "{clock} {zone}",
        "clock.weekday": "{weekday} {clock}",
        "clock.date": "{day} {month} {clock}",
        "clock.year": "{day} {month} {year} {clock}",
        "until": "until about {middle}, between {early} and {late}",
        "until.open": "until about {middle}, at least {early}",
        "until.point": "until about {middle}",
        "until.early": "at least until about {early}",
        "until.beyond": "for more than {span}",
        "until.now": "no longer than a few minutes",
        "until.unknown": "for a time not known",
        "range": "{low} to {high}",
        "range.open": "more than {low}",
        "seconds": "{n} s",
        "minutes": "{n} min",
        "hours": "{n} h",
        "hours.minutes": "{hours} h {minutes} min",
        "days": "{n} days",
        "ago": "{span} ago",
        "ago.never": "never",
        "ago.now": "just now",
        "unknown": "not known",
        "percent": "{n} %",
        "watts": "{n} W",
        "kilowatts": "{n} kW",
        "watt_hours": "{n} Wh",
        "kilowatt_hours": "{n} kWh",
        "celsius": "{n} °C",
        "fahrenheit": "{n} °F",
        "metres": "{n} m",
        "inches": "{n} in",
        "litres_per_minute": "{n} L/min",
        "gallons_per_minute": "{n} gal/min",
        "litres": "{n} L",
        "gallons": "{n} gal",
        "millimetres": "{n} mm",
        "rain_inches": "{n} in",
        "none": "none",
        "and": "{first} and {last}",
    }
)
