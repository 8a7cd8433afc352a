"""Mail over SMTP with STARTTLS or TLS."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable
from email.message import EmailMessage
from typing import Any

import aiosmtplib
import msgspec

from api.deliver.letter import MailLinks, letter
from api.deliver.links import Tickets
from api.deliver.outcome import Later, Never, Outcome, Sent
from collector.config.settings import Mail
from forecaster.alarms.plan import MAIL, AlarmMessage
from forecaster.domain.alarms import TransitionKind
from forecaster.domain.errors import ConfigError
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import Delivery

TIMEOUT_S = 20.0
PERMANENT = range(500, 600)
LOGIN_CODES = frozenset({530, 534, 535, 538})
"""Refused for want of a login (RFC 4954 section 6): the owner can mend that, so the mail waits."""


def sender_of(settings: Mail) -> str:
    """The address that mails come from; ConfigError where mail is set up without one."""
    if settings.sender is None:
        raise ConfigError("outlast.toml", "mail.sender", "mail has a server but no sender", 'add sender = "me@…"')
    return settings.sender


class MailCarrier:
    """Sends mails through the installation's server."""

    channel = MAIL

    def __init__(
        self, settings: Mail, ledger: Ledger, clock: Clock, links: Tickets | None, page: Callable[[str], str | None]
    ) -> None:
        self._settings, self._ledger, self._clock, self._links, self._page = settings, ledger, clock, links, page
        self._sender = sender_of(settings)

    def send(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        """One attempt; a receiver refused for good ends it, everything else waits."""
        acknowledge = None
        if self._links is not None and message.transition is not TransitionKind.CLEARED and not message.test:
            acknowledge = self._links.url(message.alarm.id, message.contact, self._clock.now_ms())
        links = MailLinks(self._page(message.site), acknowledge)
        mail = letter(message, delivery.key, self._sender, delivery.receiver, self._document(message.site), links)
        return asyncio.run(self._post(mail))

    def _document(self, site: str) -> dict[str, Any]:
        stored = self._ledger.newest([site]).get(site)
        document: dict[str, Any] = {} if stored is None else msgspec.json.decode(stored.document)
        return document

    async def _post(self, mail: EmailMessage) -> Outcome:
        settings = self._settings
        try:
            await aiosmtplib.send(
                mail,
                hostname=settings.host,
                port=settings.port,
                username=settings.username,
                password=settings.password(),
                use_tls=settings.security == "tls",
                start_tls=settings.security == "starttls",
                tls_context=self._context(),
                timeout=TIMEOUT_S,
            )
        except aiosmtplib.SMTPRecipientsRefused as error:
            codes = [refused.code for refused in error.recipients]
            said = "; ".join(f"{refused.code} {refused.message}" for refused in error.recipients)
            if all(code in PERMANENT and code not in LOGIN_CODES for code in codes):
                return Never(f"the mail server refuses the address: {said}")
            return Later(f"the mail server cannot take the mail now: {said}")
        except aiosmtplib.SMTPResponseException as error:
            return Later(f"the mail server answered {error.code} {error.message}")
        except (aiosmtplib.SMTPException, OSError, ValueError, ConfigError) as error:
            return Later(f"the mail server cannot be used: {type(error).__name__}: {error}")
        return Sent()

    def _context(self) -> ssl.SSLContext | None:
        if self._settings.security == "none":
            return None
        file = self._settings.ca_file
        return ssl.create_default_context(cafile=None if file is None else str(file))

    def tick(self) -> None:
        """Nothing beside deliveries."""

    def close(self) -> None:
        """Nothing held open."""
