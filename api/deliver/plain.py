"""Plain retained values, one for each topic, for hubs that read no JSON, such as `outlast/<site>/hours_p50`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

PLAIN: Mapping[str, tuple[str, ...]] = {
    "hours_p10": ("hours_remaining", "p10"),
    "hours_p50": ("hours_remaining", "p50"),
    "hours_p90": ("hours_remaining", "p90"),
    "charge_percent": ("charge_percent",),
    "supply": ("supply",),
    "draw_w": ("draw_w",),
    "cycles_per_hour": ("cycles_per_hour",),
    "minutes_to_floor": ("water", "minutes_to_floor"),
}
"""The name of a topic, and where its value stands in the forecast document."""


def plain_topic(site: str, name: str) -> str:
    """The topic of a plain value of a site."""
    return f"outlast/{site}/{name}"


def said(value: Any) -> bytes:
    """A value as a payload. An unknown value is empty, which clears the retained message."""
    return b"" if value is None else str(value).encode()


def plain_values(site: str, document: Mapping[str, Any]) -> dict[str, bytes]:
    """The payload of every plain topic of a site, from its forecast document."""
    return {plain_topic(site, name): said(_at(document, path)) for name, path in PLAIN.items()}


def _at(document: Mapping[str, Any], path: tuple[str, ...]) -> Any:
    found: Any = document
    for key in path:
        found = None if found is None else found.get(key)
    return found
