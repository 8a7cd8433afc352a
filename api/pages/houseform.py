"""The house as fields of the set-up form: its names, its other loads, its position, rain to come, its owner."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from api.pages.formcontexts import LoadRow
from api.pages.siteform import FormReading
from collector.config.refused import Refused
from forecaster.texts.catalogue import Said

TEXTS = ("id", "name", "timezone", "units")
POSITION = ("latitude", "longitude")
WEATHER = ("url", "time", "rain", "unit")
KEPT = (*TEXTS, "email", *POSITION, *(f"weather.{key}" for key in WEATHER))
"""Fields that are shown again as they were filled in."""
MOST_LOADS = 12
BLANK_LOADS = 2


def load_rows(form: Mapping[str, str]) -> tuple[LoadRow, ...]:
    """The other loads that were filled in, and some empty rows after them."""
    rows = [(form.get(f"load_name{n}", "").strip(), form.get(f"load_w{n}", "").strip()) for n in range(MOST_LOADS)]
    filled = [row for row in rows if any(row)]
    shown = [*filled, *[("", "")] * BLANK_LOADS][:MOST_LOADS]
    return tuple(LoadRow(number, name, watts) for number, (name, watts) in enumerate(shown))


def house_in(form: Mapping[str, str], reading: FormReading) -> dict[str, Any]:
    """The house's part of a site file's content; what is empty or cannot be read is left out."""
    content: dict[str, Any] = {key: form[key].strip() for key in TEXTS if form.get(key, "").strip()}
    for key in POSITION:
        if form.get(key, "").strip():
            content[key] = reading.number(key, form[key], "")
    content["loads"] = [load for row in load_rows(form) if (load := _load(row, reading))]
    weather = {key: form[f"weather.{key}"].strip() for key in WEATHER if form.get(f"weather.{key}", "").strip()}
    content["weather"] = weather if "url" in weather else {}
    if form.get("email", "").strip():
        content["contacts"] = [{"name": "owner", "email": form["email"].strip()}]
    return content


def _load(row: LoadRow, reading: FormReading) -> dict[str, Any]:
    if not row.name and not row.watts:
        return {}
    if not row.name or not row.watts:
        empty = f"load_w{row.number}" if row.name else f"load_name{row.number}"
        reading.unread[empty] = Refused(
            Said("usage.another_load_needs_both_its_name"), Said("usage.fill_both_fields_or_neither")
        )
        return {}
    watts = reading.number(f"load_w{row.number}", row.watts, "W")
    return {"name": row.name} if watts is None else {"name": row.name, "watts": watts}
