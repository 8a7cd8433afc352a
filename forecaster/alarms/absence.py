"""Away and paused: who is told while others look after a house, and what is raised while it is paused. Pure."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.site import Contact, Site

STEP_MIN = 15.0
"""How long after the one before the next who looks after a house is told, if nobody has acknowledged [min]."""

NEVER_PAUSED = frozenset({AlarmKind.HIGH_WATER})
"""An independent float that says that water stands too high: raised whatever somebody asked for."""

PAUSED = frozenset(AlarmKind) - NEVER_PAUSED


def local_day(site: Site, at_ms: int) -> date:
    """The day of a moment in the site's time zone."""
    return datetime.fromtimestamp(at_ms / 1000.0, UTC).astimezone(ZoneInfo(site.timezone)).date()


def is_away(site: Site, at_ms: int) -> bool:
    """Whether others look after the house at a moment."""
    return site.away is not None and site.away.first <= local_day(site, at_ms) <= site.away.last


def is_paused(site: Site, at_ms: int) -> bool:
    """Whether the alarms of a site are paused at a moment."""
    return site.paused_until is not None and local_day(site, at_ms) < site.paused_until


def off_at(site: Site, off: frozenset[AlarmKind], at_ms: int) -> frozenset[AlarmKind]:
    """The kinds that are not raised at a moment."""
    return off | PAUSED if is_paused(site, at_ms) else off


def contacts_at(site: Site, at_ms: int) -> tuple[Contact, ...]:
    """The contacts of a moment.

    While somebody is away, those who look after the house stand first, each a little later than the one before, and
    hear of all that is medium or graver. Their quiet hours, and everybody else, stay as they are.
    """
    if site.away is None or not is_away(site, at_ms):
        return site.contacts
    named = {contact.name: contact for contact in site.contacts}
    first = [named[name] for name in site.away.look_after if name in named]
    turned = tuple(
        replace(
            contact, after_min=place * STEP_MIN,
            minimum_priority=min(contact.minimum_priority, Priority.MEDIUM, key=lambda priority: priority.rank),
        )
        for place, contact in enumerate(first)
    )  # fmt: skip
    return (*turned, *(contact for contact in site.contacts if contact not in first))
