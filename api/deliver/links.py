"""Signed, expiring links that acknowledge an alarm. Opening one shows a page; only its button acknowledges, because
mail scanners open links."""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from dataclasses import dataclass
from urllib.parse import quote

from api.deliver.secret import own_secret
from collector.config.settings import Installation
from forecaster.domain.ports import Ledger

LIFE_MS = 7 * 24 * 3_600_000
KEY_FILE = "link-key"


@dataclass(frozen=True, slots=True)
class Ticket:
    """The permission to acknowledge one alarm: who, which alarm, until when."""

    alarm_id: str
    contact: str
    expires_ms: int


class Tickets:
    """Signs and verifies tickets with the installation's own key."""

    def __init__(self, key: bytes, base_url: str | None) -> None:
        self._key = key
        self._base = None if base_url is None else base_url.rstrip("/")

    def url(self, alarm_id: str, contact: str, now_ms: int, *, test: bool = False) -> str | None:
        """The link that lets a contact acknowledge an alarm, or answer a test message, for a week.

        None where the pages have no public address: a link to this machine's loopback helps nobody.
        """
        if self._base is None:
            return None
        token = quote(self.token(Ticket(alarm_id, contact, now_ms + LIFE_MS)))
        return f"{self._base}/{'answer' if test else 'acknowledge'}/{token}"

    def code(self, alarm_id: str, contact: str) -> str:
        """Four digits by which a person says on the page that a test message has come."""
        digest = self._sign(f"code|{alarm_id}|{contact}".encode())
        return f"{int.from_bytes(digest[:8], 'big') % 10_000:04d}"

    def token(self, ticket: Ticket) -> str:
        """A ticket as text that fits into a URL."""
        body = f"{ticket.expires_ms}|{ticket.alarm_id}|{ticket.contact}".encode()
        return f"{_text(body)}.{_text(self._sign(body))}"

    def read(self, token: str, now_ms: int) -> Ticket | None:
        """The ticket of a link; None where it is not ours, was altered, or has expired."""
        first, dot, last = token.partition(".")
        try:
            body, signature = _bytes(first), _bytes(last)
        except ValueError:
            return None
        if not dot or not hmac.compare_digest(signature, self._sign(body)):
            return None
        expires, alarm_id, contact = body.decode().split("|", 2)
        ticket = Ticket(alarm_id, contact, int(expires))
        return ticket if now_ms < ticket.expires_ms else None

    def _sign(self, body: bytes) -> bytes:
        return hmac.new(self._key, b"acknowledge:" + body, hashlib.sha256).digest()


def tickets(installation: Installation, ledger: Ledger, base_url: str | None = None) -> Tickets:
    """Tickets signed with the key that all processes of an installation share.

    base_url : str | None — public address of the pages; None makes no links
    Errors: ConfigError where the key can neither be made nor read.
    """
    return Tickets(own_secret(installation, ledger, KEY_FILE, lambda: secrets.token_hex(32)), base_url)


def _text(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def _bytes(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
