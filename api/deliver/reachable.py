"""Whom a site can tell, and what keeps the others from being told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlsplit

from forecaster.alarms.plan import MAIL, PUSH, addresses_of
from forecaster.domain.records import PushSubscription
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Words


@dataclass(frozen=True, slots=True)
class ContactFault:
    """A contact that cannot be reached: the name, "" where the file gives none, and why."""

    who: str
    says: str


def contact_faults(site: Site, channels: frozenset[str], say: Words, *, names: bool = True) -> list[ContactFault]:
    """Contacts and channels in the site file over which nobody can be reached.

    channels : the channels that this installation serves
    names : bool — whether people may be named; readers and hubs get no names
    """
    aside = [line for line in site.set_aside if of_contact(line)]
    found = [ContactFault("", say("reach.set_aside", fault=line if names else "").rstrip()) for line in aside]
    for contact in site.contacts:
        if contact.email and MAIL not in channels:
            who = contact.name if names else say("reach.somebody")
            found.append(ContactFault(contact.name, say("reach.no_mail", who=who)))
    return found


def of_contact(line: str) -> bool:
    """Whether a line about a part of a site file that is set aside is about a contact, and not about a channel."""
    return ": contacts[" in line


def parts_aside(site: Site, say: Words, *, values: bool) -> list[str]:
    """Lines on the parts of a site file beside contacts that are set aside.

    values : bool — whether what the file holds may be shown
    """
    aside = [line for line in site.set_aside if not of_contact(line)]
    return [say("reach.part_aside", fault=line if values else "").rstrip() for line in aside]


def reachable(site: Site, channels: frozenset[str], subscriptions: Sequence[PushSubscription]) -> list[tuple[str, str]]:
    """(name, channel) of everyone to whom a message can be sent."""
    found = [
        (contact.name, channel)
        for contact in site.contacts
        for channel, _ in addresses_of(contact)
        if channel in channels
    ]
    listening = [item.label for item in subscriptions if item.site in (None, site.id)]
    return found + [(label, PUSH) for label in listening if PUSH in channels]


def reach_warnings(
    site: Site, channels: frozenset[str], subscriptions: Sequence[PushSubscription], say: Words, *, names: bool
) -> tuple[str, ...]:
    """The faults as lines for a page, the gravest first."""
    lines = [fault.says for fault in contact_faults(site, channels, say, names=names)]
    nobody = [] if reachable(site, channels, subscriptions) else [say("reach.nobody")]
    return tuple(nobody + lines + parts_aside(site, say, values=names))


def without_secrets(receiver: str) -> str:
    """A receiver as a screen may show it: of a URL only scheme, host and port.

    User, path and query often contain its secret.
    """
    parts = urlsplit(receiver)
    if parts.scheme not in {"http", "https"}:
        return receiver
    return f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}/…"
