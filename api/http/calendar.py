"""A site's calendar (RFC 5545): when the reserve may be reached, when a test and work on the house are due.

It tells of the house, and never of people: no names, no absence. Whoever has its link can read it.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import msgspec
from icalendar import Calendar, Event

from forecaster.discharge import due_after_ms
from forecaster.domain.ports import Ledger
from forecaster.domain.runs import Supply
from forecaster.domain.site import Site
from forecaster.engine.document import time_ms
from forecaster.texts.catalogue import Words

MEDIA_TYPE = "text/calendar; charset=utf-8"
REFRESH = timedelta(minutes=15)
"""How often a client may look, as it is told (RFC 7986 section 5.7)."""

HEALTH = "health"
"""The study of the long record that says when a part falls below what the pit needs."""


@dataclass(frozen=True, slots=True)
class Entry:
    """What stands in the calendar: whole days as dates, everything else as times."""

    name: str
    summary: str
    about: str
    start: datetime | date
    end: datetime | date
    tentative: bool = False


def site_calendar(site: Site, ledger: Ledger, key: bytes, now_ms: int, say: Words) -> bytes:
    """The calendar of a site as it stands now.

    key : of this installation, so that an entry keeps its UID from one look to the next and shares it with no other
    """
    calendar = Calendar()
    calendar.add("prodid", "-//Outlast//Outlast//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("name", site.name)
    calendar.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    for entry in (*_reserve(site, ledger, say), *_test(site, ledger, say), *_work(site, ledger, say)):
        event = Event()
        event.add("uid", str(uuid.uuid5(uuid.UUID(bytes=key[:16]), f"{site.id}:{entry.name}")))
        event.add("dtstamp", datetime.fromtimestamp(now_ms // 1000, UTC))
        event.add("summary", f"{site.name}: {entry.summary}")
        event.add("description", entry.about)
        event.add("dtstart", entry.start)
        event.add("dtend", entry.end)
        event.add("status", "TENTATIVE" if entry.tentative else "CONFIRMED")
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _reserve(site: Site, ledger: Ledger, say: Words) -> Iterator[Entry]:
    """On the pack, when the reserve is reached: from the early end of the range to its late one, where there is one."""
    stored = ledger.newest([site.id]).get(site.id)
    if stored is None:
        return
    document = msgspec.json.decode(stored.document)
    at = {level: text for level, text in document["reserve_at"].items() if text is not None}
    if document["supply"] != Supply.PACK or not at:
        return
    times = sorted(_moment(text) for text in at.values())
    end = max(times[-1], times[0] + timedelta(minutes=15))
    about = say("calendar.reserve.about" if "p90" in at else "calendar.reserve.open")
    yield Entry("reserve", say("calendar.reserve"), about, times[0], end, tentative=True)


def _test(site: Site, ledger: Ledger, say: Words) -> Iterator[Entry]:
    """The next rehearsal on the pack, once there was one."""
    due_ms = due_after_ms(site, ledger.tests(site.id))
    if due_ms is not None:
        due = datetime.fromtimestamp(due_ms / 1000.0, ZoneInfo(site.timezone)).date()
        yield Entry("test", say("calendar.test"), say("calendar.test.about"), due, due + timedelta(days=1))


def _work(site: Site, ledger: Ledger, say: Words) -> Iterator[Entry]:
    """Work by the day on which a part may first fall below what the pit needs."""
    study = ledger.study(site.id, HEALTH)
    parts = [] if study is None else msgspec.json.decode(study.document).get("parts", [])
    for part in parts:
        first = (part.get("predicted") or {}).get("p10")
        if first is not None:
            due = _moment(first).astimezone(ZoneInfo(site.timezone)).date()
            about = f"{part['says']} {part['do']}".strip()
            name = say(f"part.{part['part']}")
            yield Entry(f"work:{part['part']}", say("calendar.work", part=name), about, due, due + timedelta(days=1))


def _moment(text: str) -> datetime:
    return datetime.fromtimestamp(time_ms(text) / 1000.0, UTC).replace(microsecond=0)
