"""Webhooks: JSON (or CAP 1.2) over HTTP POST, signed, with the key by which a receiver drops a repeat.

Headers: `Idempotency-Key`, `Outlast-Timestamp`, and `Outlast-Signature: sha256=HEX`, the HMAC-SHA256 with the
contact's secret over "TIMESTAMP.BODY".
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import replace
from urllib.parse import urlsplit

import msgspec

from api.deliver.cap import cap_alert
from api.deliver.lanes import MOST
from api.deliver.outcome import Later, Never, Outcome, Sent
from api.deliver.outward import DEADLINE_S, OutwardAnswer, post
from api.deliver.words import message_document
from forecaster.alarms.plan import WEBHOOK, AlarmMessage
from forecaster.domain.ports import Clock
from forecaster.domain.records import Delivery
from forecaster.domain.site import Contact, Site

GONE = 410
REFUSED = frozenset({400, 413, 415, 422})
"""Answers that another attempt with the same body cannot change."""


def signature(secret: str, timestamp: str, body: bytes) -> str:
    """The value of `Outlast-Signature`."""
    digest = hmac.new(secret.encode(), timestamp.encode() + b"." + body, hashlib.sha256).hexdigest()
    return f"sha256={digest}"


def outcome_of(answer: OutwardAnswer, now_ms: int) -> Outcome:
    """What an answer means for the delivery."""
    code = answer.status
    if 200 <= code < 300:
        return Sent()
    if code == GONE:
        return Never("the webhook answered 410: it is gone")
    if code in REFUSED:
        return Never(f"the webhook refuses the message with {code}")
    return Later(f"the webhook answered {code}", answer.retry_after_s(now_ms))


class WebhookCarrier:
    """Posts to the contacts' webhooks, wherever the site file says: its owner may name an address at home.

    deadline_s : float — for a whole attempt [s]
    """

    channel = WEBHOOK
    lanes = MOST

    def __init__(self, sites: Mapping[str, Site], clock: Clock, deadline_s: float = DEADLINE_S) -> None:
        self._sites, self._clock, self._deadline_s = sites, clock, deadline_s

    def host(self, receiver: str) -> str:
        """Host and port of the webhook."""
        return urlsplit(receiver).netloc.rpartition("@")[2].lower()

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
        answer = post(delivery.receiver, body, headers, deadline_s=self._deadline_s)
        if isinstance(answer, OutwardAnswer):
            return outcome_of(answer, self._clock.now_ms())
        return replace(answer, error=f"the webhook: {answer.error}")

    def _contact(self, delivery: Delivery, message: AlarmMessage) -> Contact | None:
        site = self._sites.get(message.site)
        contacts = () if site is None else site.contacts
        return next((contact for contact in contacts if contact.webhook == delivery.receiver), None)

    def tick(self) -> None:
        """Nothing beside deliveries."""

    def close(self) -> None:
        """Nothing is held open."""
