"""Refuses webhooks, named over the network, that would reach into the owner's network or be given others' secrets.

Whoever writes into the file by hand may name any address.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

from collector.config.reach import host_of, public_only
from collector.editing.change import rows_of
from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Said

HEADERS = "webhook_headers_file"


def webhook_faults(
    before: Mapping[str, Any], after: Mapping[str, Any], file: str, allowed: frozenset[str] | None
) -> list[ConfigError]:
    """The faults of a change: addresses inside a private network, and headers for a host that did not get them before.

    What was named before the change is not refused.

    before, after : content of the site file before and after the change; file : str — the name given in errors
    allowed : frozenset[str] | None — hosts inside a private network that may be named; None: any
    """
    contacts = rows_of(before, "contacts")
    sent = {(str(contact.get(HEADERS)), _host(contact.get("webhook"))) for contact in contacts}
    named = {str(contact.get("webhook")) for contact in contacts}
    found: list[ConfigError] = []
    for place, contact in enumerate(rows_of(after, "contacts")):
        headers, address = contact.get(HEADERS), contact.get("webhook")
        if headers is not None and (str(headers), _host(address)) not in sent:
            key = "webhook" if any(str(headers) == known for known, _ in sent) else HEADERS
            found.append(ConfigError(file, f"contacts[{place}].{key}", Said("edit.headers_go"), Said("edit.by_hand")))
        if str(address) not in named:
            found += _inside(address, f"contacts[{place}].webhook", file, allowed)
    address = _weather(after)
    if address != _weather(before):
        found += _inside(address, "weather.url", file, allowed)
    return found


def _weather(content: Mapping[str, Any]) -> object:
    section = content.get("weather")
    return section.get("url") if isinstance(section, Mapping) else None


def _host(address: object) -> str | None:
    try:
        return host_of(address) if isinstance(address, str) else None
    except ValueError:
        return None


def _inside(address: object, key: str, file: str, allowed: frozenset[str] | None) -> list[ConfigError]:
    """The fault of an address inside a private network; a host whose name cannot be resolved is let through."""
    host = _host(address)
    if allowed is None or host is None or host in allowed:
        return []
    try:
        public_only(host, urlsplit(str(address)).port or 443)
    except PermissionError as error:
        return [ConfigError(file, key, str(error), Said("edit.by_hand"))]
    except OSError:
        return []
    return []
