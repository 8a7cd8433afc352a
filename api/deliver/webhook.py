"""Webhooks: JSON (or CAP 1.2) over HTTP POST, signed, with the key by which a receiver drops a repeat.

Headers: `Idempotency-Key`, `Outlast-Timestamp`, and `Outlast-Signature: sha256=HEX`, the HMAC-SHA256 with the
contact's secret over "TIMESTAMP.BODY".
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from email.utils import parsedate_to_datetime

import httpx
import msgspec

from api.deliver.cap import cap_alert
from api.deliver.outcome import Later, Never, Outcome, Sent
from api.deliver.words import message_document
from forecaster.alarms.plan import WEBHOOK, AlarmMessage
from forecaster.domain.ports import Clock
from forecaster.domain.records import Delivery
from forecaster.domain.site import Contact, Site

TIMEOUT_S = 10.0
CONNECT_S = 5.0
GONE = 410
REFUSED = frozenset({400, 413, 415, 422})
"""Answers that another attempt with the same body cannot change."""


def signature(secret: str, timestamp: str, body: bytes) -> str:
    """The value of `Outlast-Signature`."""
    digest = hmac.new(secret.encode(), timestamp.encode() + b"." + body, hashlib.sha256).hexdigest()
    return f"sha256={digest}"


def asked_s(answer: httpx.Response, now_ms: int) -> float | None:
    """Retry-After of an answer in seconds (RFC 9110 section 10.2.3: seconds or a date); None without one."""
    value = answer.headers.get("retry-after", "").strip()
    if not value:
        return None
    if value.isascii() and value.isdigit():
        return float(value[:9])
    try:
        return max(0.0, parsedate_to_datetime(value).timestamp() - now_ms / 1000.0)
    except ValueError:
        return None


def outcome_of(answer: httpx.Response, now_ms: int) -> Outcome:
    """What an answer means for the delivery."""
    code = answer.status_code
    if 200 <= code < 300:
        return Sent()
    if code == GONE:
        return Never("the webhook answered 410: it is gone")
    if code in REFUSED:
        return Never(f"the webhook refuses the message with {code}")
    return Later(f"the webhook answered {code}", asked_s(answer, now_ms))


class WebhookCarrier:
    """Posts to the contacts' webhooks."""

    channel = WEBHOOK

    def __init__(self, sites: Mapping[str, Site], clock: Clock, client: httpx.Client | None = None) -> None:
        self._sites, self._clock = sites, clock
        limits = httpx.Timeout(TIMEOUT_S, connect=CONNECT_S)
        self._client = httpx.Client(timeout=limits, follow_redirects=False) if client is None else client

    def send(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        """Post once."""
        contact = self._contact(delivery, message)
        if contact is None:
            return Never("this webhook is no longer in the site's contacts")
        headers = {"Idempotency-Key": delivery.key, "User-Agent": "outlast"}
        if contact.webhook_format == "cap":
            body = cap_alert(message, self._sites.get(message.site))
            headers["Content-Type"] = "application/cap+xml"
        else:
            body = msgspec.json.encode(message_document(message, delivery.key, names=True))
            headers["Content-Type"] = "application/json"
        if contact.webhook_secret:
            timestamp = str(self._clock.now_ms() // 1000)
            headers["Outlast-Timestamp"] = timestamp
            headers["Outlast-Signature"] = signature(contact.webhook_secret, timestamp, body)
        try:
            answer = self._client.post(delivery.receiver, content=body, headers=headers)
        except httpx.InvalidURL as error:
            return Never(f"the webhook's address cannot be used: {error}")
        except httpx.HTTPError as error:
            return Later(f"the webhook cannot be reached: {type(error).__name__}: {error}")
        return outcome_of(answer, self._clock.now_ms())

    def _contact(self, delivery: Delivery, message: AlarmMessage) -> Contact | None:
        site = self._sites.get(message.site)
        contacts = () if site is None else site.contacts
        return next((contact for contact in contacts if contact.webhook == delivery.receiver), None)

    def tick(self) -> None:
        """Nothing beside deliveries."""

    def close(self) -> None:
        """Close connections."""
        self._client.close()
