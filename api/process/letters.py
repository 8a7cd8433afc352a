"""Writes the weekly letters: once a week a contact, whatever was restarted meanwhile, because the outbox remembers."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from itertools import groupby

import msgspec

from api.deliver.outbox import is_test, served
from api.deliver.weekly import LETTER, WEEK_MS, HouseWeek, letter_delivery, letter_id, week_of
from api.offline.readiness import FRESH_MS, Held, readiness_of
from api.process.repeating import RepeatingWorker
from api.process.services import Services
from forecaster.alarms.plan import MAIL
from forecaster.alarms.settlement import settlement
from forecaster.domain.alarms import STANDING, Alarm
from forecaster.domain.counts import Count
from forecaster.domain.errors import NotFound, StoreError
from forecaster.domain.forecast import Basis, Forecast
from forecaster.domain.site import Contact, Site, WeeklyLetter
from forecaster.engine.document import from_document
from forecaster.live.site_runner import SITE_FAULTS
from forecaster.texts.catalogue import SOURCE, Words, words

log = logging.getLogger("outlast.letters")

FIRST_S = 15.0
"""How long after the start the first look comes: the readings come first [s]."""
LOOK_S = 60.0

Reader = tuple[Contact, tuple[Site, ...]]
"""Somebody who gets a letter, and the houses that it is about."""


class LetterWorker(RepeatingWorker):
    """Looks once a minute whose letter is due, and puts it into the outbox."""

    def __init__(self, services: Services, *, first_s: float = FIRST_S, look_s: float = LOOK_S) -> None:
        super().__init__("letters", first_s, look_s)
        self._services = services
        self._written = 0

    def counts(self) -> list[Count]:
        """For the metrics."""
        return [Count("outlast_letters", "counter", "Weekly letters written.", float(self._written))]

    def once(self) -> None:
        """Write every letter that is due. What one letter fails with leaves the others. StoreError."""
        written = 0
        for reader in readers(self._services):
            try:
                written += self._write(*reader)
            except StoreError:
                raise
            except SITE_FAULTS as error:
                log.error("a weekly letter cannot be written: %s", type(error).__name__, exc_info=error)
        self._written += written
        if written:
            self._services.wake()

    def _write(self, contact: Contact, sites: tuple[Site, ...]) -> bool:
        """Write a letter unless it is written, or the clock or the houses are not known well enough yet."""
        ledger, now_ms = self._services.ledger, self._services.clock.now_ms()
        issued = ledger.issued()
        if any(site.id not in issued for site in sites) or max(issued.values()) > now_ms + FRESH_MS:
            return False
        week, _ = week_of(sites[0].timezone, now_ms)
        names = {one.name for site in sites for one in site.contacts if same_reader(one, contact)}
        if any(notice.who in names for notice in ledger.notices([letter_id(site.id, week) for site in sites])):
            return False
        say = words(contact.language or sites[0].language or SOURCE)
        houses = [house_week(self._services, site, say, now_ms) for site in sites]
        ledger.commit_transitions([], [letter_delivery(contact, houses, week, now_ms)], [])
        return True


def readers(services: Services) -> list[Reader]:
    """Everybody who gets a letter: homeowners a house each, a manager one about all houses that name them."""
    if MAIL not in served(services.installation):
        return []
    asked = [
        (contact, site)
        for _, site in sorted(services.installation.sites.items())
        for contact in site.contacts
        if contact.weekly_letter is not None and contact.email
    ]
    found: list[Reader] = [(c, (site,)) for c, site in asked if c.weekly_letter is WeeklyLetter.HOMEOWNER]
    managed = [(c, site) for c, site in asked if c.weekly_letter is WeeklyLetter.MANAGER]
    managed.sort(key=lambda item: (str(item[0].email).casefold(), item[1].id))
    for _, group in groupby(managed, key=lambda item: str(item[0].email).casefold()):
        pairs = list(group)
        found.append((pairs[0][0], tuple({site.id: site for _, site in pairs}.values())))
    return found


def same_reader(one: Contact, other: Contact) -> bool:
    """Whether two contacts get the same letter."""
    mine, theirs = str(one.email).casefold(), str(other.email).casefold()
    return (mine, one.weekly_letter) == (theirs, other.weekly_letter)


def house_week(services: Services, site: Site, say: Words, now_ms: int) -> HouseWeek:
    """A house's week up to now, from the ledger."""
    ledger = services.ledger
    stored = ledger.newest([site.id]).get(site.id)
    forecast = None if stored is None else from_document(msgspec.json.decode(stored.document))
    ready = readiness_of(services.installation, ledger, services.store, site, say, now_ms)
    standing = [alarm for alarm in ledger.alarms(site.id, STANDING) if alarm.cleared_ms is None]
    since_ms = now_ms - WEEK_MS
    return HouseWeek(
        site=site,
        forecast=forecast if forecast is not None and is_fresh(forecast, now_ms) else None,
        standing=tuple(sorted(standing, key=lambda alarm: -alarm.priority.rank)),
        untold=tuple(untold_alarms(services, site, since_ms, now_ms + 1)),
        outages=tuple(o for o in ledger.outages(site.id) if not o.rehearsal and (o.end_ms or now_ms) > since_ms),
        unmet=tuple(line for line in ready.lines if line.must and line.state is Held.NOT_HELD),
    )


def is_fresh(forecast: Forecast, now_ms: int) -> bool:
    """Whether a forecast is of now, and rests on what is heard."""
    return abs(now_ms - forecast.issued_at_ms) <= FRESH_MS and forecast.basis is not Basis.PROJECTED


def untold_alarms(services: Services, site: Site, start_ms: int, end_ms: int) -> Iterable[Alarm]:
    """Alarms of a span that were tried to be told to people, and that nobody's receiver took, oldest first."""
    notices = [
        notice
        for notice in services.ledger.notices_between(site.id, start_ms, end_ms)
        if not is_test(notice.alarm_id) and notice.alarm_id.split(":")[1:2] != [LETTER]
    ]
    unheard = [alarm_id for alarm_id, settled in settlement(notices).items() if settled.unheard]
    found = []
    for alarm_id in unheard:
        try:
            found.append(services.ledger.alarm(alarm_id))
        except NotFound:
            continue
    return sorted(found, key=lambda alarm: alarm.raised_ms)
