"""Mail over SMTP with STARTTLS or TLS: one connection for each mail, closed at a deadline."""

from __future__ import annotations

import smtplib
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, BinaryIO

import msgspec

from api.deliver.lanes import MOST
from api.deliver.letter import MailLinks, letter
from api.deliver.links import Tickets
from api.deliver.outcome import Later, Never, Outcome, Sent
from collector.config.settings import Mail
from forecaster.alarms.plan import MAIL, AlarmMessage
from forecaster.domain.alarms import TransitionKind
from forecaster.domain.errors import ConfigError
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import Delivery
from forecaster.texts.catalogue import Said, words

TIMEOUT_S = 8.0
"""For a whole attempt, from connecting to the server's last answer [s]; a slow server is cut off too."""
PERMANENT = range(500, 600)
LOGIN_CODES = frozenset({530, 534, 535, 538})
"""Refused for want of a login (RFC 4954 section 6): the owner can mend that, so the mail waits."""


def sender_of(settings: Mail) -> str:
    """The address that mails come from; ConfigError where mail is set up without one."""
    if settings.sender is None:
        raise ConfigError(
            "outlast.toml", "mail.sender", Said("config.mail_has_a_server_but_no"), Said("config.add_sender_me")
        )
    return settings.sender


REPLY_BYTES = 64 * 1024
"""Longest answer that is read [bytes]; RFC 5321 section 4.5.3.1.5 asks for lines of 512."""


class _Reply:
    """The lines of one answer, which the library would gather for as long as they come."""

    def __init__(self, lines: BinaryIO) -> None:
        self._lines, self.left = lines, REPLY_BYTES

    def readline(self, limit: int) -> bytes:
        line = self._lines.readline(limit)
        self.left -= len(line)
        if self.left < 0:
            raise smtplib.SMTPException(words()("outcome.the_answer_has_no_end", limit_bytes=REPLY_BYTES))
        return line

    def close(self) -> None:
        self._lines.close()


class TimedSmtp(smtplib.SMTP):
    """An SMTP session that is closed from outside at its deadline, however slowly or long the server answers."""

    def connect(self, host: str = "localhost", port: int = 0, source_address: Any = None) -> tuple[int, bytes]:
        """Connect and read the greeting. The deadline counts from now."""
        self.over = threading.Event()
        threading.Thread(target=self._watch, args=(TIMEOUT_S,), name="mail-deadline", daemon=True).start()
        greeted = False
        try:
            reply = super().connect(host, port, source_address)
            greeted = True
        finally:
            if not greeted:
                self.close()
        return reply

    def getreply(self) -> tuple[int, bytes]:
        """Read one answer, of REPLY_BYTES at most."""
        if self.file is None and self.sock is not None:
            self.file = _Reply(self.sock.makefile("rb"))
        if isinstance(self.file, _Reply):
            self.file.left = REPLY_BYTES
        return super().getreply()

    def close(self) -> None:
        """End the session."""
        self.over.set()
        super().close()

    def _watch(self, time_s: float) -> None:
        pause_s = time_s
        while not self.over.wait(pause_s):
            pause_s = 0.1
            if self.sock is not None:
                with suppress(OSError):
                    socket.socket.shutdown(self.sock, socket.SHUT_RDWR)


class TimedTls(TimedSmtp, smtplib.SMTP_SSL):
    """The same with TLS from the first byte."""


class MailCarrier:
    """Sends mails through the installation's server.

    page : gives the address of a site's page; None leaves it out of the mail
    """

    channel = MAIL
    lanes = MOST

    def __init__(
        self, settings: Mail, ledger: Ledger, clock: Clock, links: Tickets | None, page: Callable[[str], str | None]
    ) -> None:
        self._settings, self._ledger, self._clock, self._links, self._page = settings, ledger, clock, links, page
        self._sender = sender_of(settings)

    def host(self, receiver: str) -> str:
        """ "": not watched. One server takes all mails, and one mailbox that fails says nothing about the others."""
        del receiver
        return ""

    def send(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        """Make one attempt. A receiver refused for good ends it; after any other failure it is tried again."""
        links = MailLinks(self._page(message.site), self._link(message), self._houses(message))
        mail = letter(message, delivery.key, self._sender, delivery.receiver, self._document(message.site), links)
        try:
            with self._connected() as server:
                server.send_message(mail)
        except smtplib.SMTPRecipientsRefused as error:
            return _refused(error)
        except smtplib.SMTPResponseException as error:
            return Later(
                words()("outcome.the_mail_server_answered", smtp_code=error.smtp_code, text=_text(error.smtp_error))
            )
        except (smtplib.SMTPException, OSError, ValueError, ConfigError) as error:
            return Later(words()("outcome.the_mail_server_cannot_be_used", name=type(error).__name__, error=str(error)))
        return Sent()

    def _houses(self, message: AlarmMessage) -> tuple[tuple[str, str], ...]:
        houses = () if message.letter is None else message.letter.houses
        pages = ((house.name, self._page(house.site)) for house in houses)
        return tuple((name, page) for name, page in pages if page is not None)

    def _link(self, message: AlarmMessage) -> str | None:
        if self._links is None or message.letter is not None or message.transition is TransitionKind.CLEARED:
            return None
        return self._links.url(message.alarm.id, message.contact, self._clock.now_ms(), test=message.test)

    def _document(self, site: str) -> dict[str, Any]:
        stored = self._ledger.newest([site]).get(site)
        document: dict[str, Any] = {} if stored is None else msgspec.json.decode(stored.document)
        return document

    @contextmanager
    def _connected(self) -> Iterator[smtplib.SMTP]:
        """A session with the server, logged in where that is asked for."""
        settings, context = self._settings, self._context()
        host = settings.host or ""
        tls = settings.security == "tls"
        server = (
            TimedTls(host, settings.port, timeout=TIMEOUT_S, context=context)
            if tls
            else TimedSmtp(host, settings.port, timeout=TIMEOUT_S)
        )
        try:
            if settings.security == "starttls":
                server.starttls(context=context)
            if settings.username is not None:
                server.login(settings.username, settings.password() or "")
            yield server
        finally:
            server.close()

    def _context(self) -> ssl.SSLContext | None:
        if self._settings.security == "none":
            return None
        file = self._settings.ca_file
        return ssl.create_default_context(cafile=None if file is None else str(file))

    def tick(self) -> None:
        """Nothing to do beside deliveries."""

    def close(self) -> None:
        """Nothing to close."""


def _refused(error: smtplib.SMTPRecipientsRefused) -> Outcome:
    refusals = list(error.recipients.values())
    said = "; ".join(f"{code} {_text(words)}" for code, words in refusals)
    if all(code in PERMANENT and code not in LOGIN_CODES for code, _ in refusals):
        return Never(words()("outcome.the_mail_server_refuses_the_address", said=said))
    return Later(words()("outcome.the_mail_server_cannot_take_the", said=said))


def _text(words: bytes | str) -> str:
    return words.decode(errors="replace") if isinstance(words, bytes) else words
