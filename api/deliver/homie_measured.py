"""What a site measures, as the node `measured` of its Homie device: one property a channel's quantity."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from typing import Any

from forecaster.domain.quantities import SPECS, STATES, Kind, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Site
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import SOURCE, Words

UNITS = {"degC": "°C", "Wh": "kWh", "mm/hour": "mm/h"}
"""Units as the convention recommends them, where they differ from those that are stored."""

STALE_MS = HOUR_MS
"""A value older than this, or than its channel's `max_silence_s`, is not known; a state holds until it changes."""


def property_ids(site: Site) -> dict[tuple[Quantity, str], str]:
    """Each channel's property by quantity and subject: a name of its own in the letters of a Homie id.

    The convention allows small letters, digits and hyphens, none of these first or last; a load may have any name.
    """
    found: dict[tuple[Quantity, str], str] = {}
    for channel in _channels(site):
        key = (channel.quantity, channel.of)
        if key not in found:
            name = _letters_of(f"{channel.quantity.value} {channel.of}")
            taken = set(found.values())
            numbered = (name if number == 1 else f"{name}-{number}" for number in range(1, len(taken) + 2))
            found[key] = next(one for one in numbered if one not in taken)
    return found


def _letters_of(text: str) -> str:
    """A text in small letters, digits and single hyphens; accents go, anything else is a hyphen."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")


def measured_properties(site: Site, say: Words) -> dict[str, dict[str, Any]]:
    """The properties of a site's channels; what is told of the future is no measurement."""
    ids = property_ids(site)
    return {ids[c.quantity, c.of]: _about(c, say) for c in _channels(site)}


def measured_values(site: Site, latest: Mapping[tuple[Quantity, str], Reading], now_ms: int) -> dict[str, bytes]:
    """Each property's payload; empty, which clears its topic, where the value is not known or too old."""
    ids = property_ids(site)
    return {ids[c.quantity, c.of]: _payload(c, latest.get((c.quantity, c.of)), now_ms) for c in _channels(site)}


def _channels(site: Site) -> Iterator[Channel]:
    return (channel for channel in site.channels if SPECS[channel.quantity].kind is not Kind.OUTLOOK)


def _about(channel: Channel, say: Words) -> dict[str, Any]:
    """A channel's property. Its name is in English the quantity's own, as it always was."""
    quantity = channel.quantity
    name = quantity.replace("_", " ").capitalize() if say.code == SOURCE else say(f"quantity.{quantity}")
    about: dict[str, Any] = {"name": f"{name}, {channel.of}" if channel.of else name}
    if channel.quantity in STATES:
        return {**about, "datatype": "boolean"}
    unit = SPECS[channel.quantity].unit
    return {**about, "datatype": "float", "unit": UNITS.get(unit, unit)}


def _payload(channel: Channel, reading: Reading | None, now_ms: int) -> bytes:
    if reading is None:
        return b""
    if channel.quantity in STATES:
        return b"true" if reading.value >= 0.5 else b"false"
    limit_ms = STALE_MS if channel.max_silence_s is None else round(channel.max_silence_s * 1000)
    if now_ms - reading.time_ms > limit_ms:
        return b""
    value = reading.value / 1000.0 if SPECS[channel.quantity].unit == "Wh" else reading.value
    return repr(round(value, 6)).encode()
