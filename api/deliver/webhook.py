"""Webhooks: JSON (or CAP 1.2) over HTTP POST, signed, with the key by which a receiver drops a repeat.

Headers: `Idempotency-Key`, `Outlast-Timestamp`, and `Outlast-Signature: sha256=HEX`, the HMAC-SHA256 with the
contact's secret over "TIMESTAMP.BODY".
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlsplit

import msgspec

from api.deliver.cap import cap_alert
from api.deliver.lanes import MOST
from api.deliver.outcome import Later, Never, Outcome, Sent
from api.deliver.outward import DEADLINE_S, OutwardAnswer, post
from api.deliver.webhook_headers import headers_of
from api.deliver.words import webhook_document
from collector.config.webhook_template import rendered
from forecaster.alarms.plan import WEBHOOK, AlarmMessage
from forecaster.domain.errors import ConfigError
from forecaster.domain.ports import Clock
from forecaster.domain.records import Delivery
from forecaster.domain.site import Contact, Site
from forecaster.texts.catalogue import words

GONE = 410
MOVED = frozenset({301, 308})
"""Redirects for good (RFC 9110 section 15.4); the others may be of a network that asks for a login first."""

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
        return Never(words()("outcome.the_webhook_answered_410_it_is"))
    if 300 <= code < 400 and "location" in answer.headers:
        host = urlsplit(answer.headers["location"]).netloc.rpartition("@")[2] or words()("outcome.another_path")
        said = words()("outcome.the_webhook_answered_it_leads_to", code=code, host=host)
        return Never(words()("outcome.write_its_new_address_in_the", said=said)) if code in MOVED else Later(said)
    if code in REFUSED:
        return Never(words()("outcome.the_webhook_refuses_the_message_with", code=code))
    return Later(words()("outcome.the_webhook_answered", code=code), answer.retry_after_s(now_ms))


class WebhookCarrier:
    """Posts to the contacts' webhooks, wherever the site file says: its owner may name an address at home.

    folder : Path — the installation's, where files of headers lie
    sender : str — of CAP messages: names this installation alone
    deadline_s : float — for a whole attempt [s]
    """

    channel = WEBHOOK
    lanes = MOST

    def __init__(
        self,
        sites: Mapping[str, Site],
        clock: Clock,
        *,
        folder: Path = Path(),
        sender: str = "outlast",
        deadline_s: float = DEADLINE_S,
    ) -> None:
        self._sites, self._clock, self._deadline_s = sites, clock, deadline_s
        self._folder, self._sender = folder, sender

    def host(self, receiver: str) -> str:
        """Host and port of the webhook."""
        return urlsplit(receiver).netloc.rpartition("@")[2].lower()

    def send(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        """Post once."""
        contact = self._contact(delivery, message)
        if contact is None:
            return Never(words()("outcome.this_webhook_is_no_longer_in"))
        try:
            body, media_type = self._body(delivery, message, contact)
            headers = {"Idempotency-Key": delivery.key, "User-Agent": "outlast", "Content-Type": media_type}
            if contact.webhook_headers_file is not None:
                headers |= headers_of(self._folder / contact.webhook_headers_file)
        except (ConfigError, ValueError) as error:
            return Later(words()("outcome.the_webhook", error=str(error)))
        if contact.webhook_secret:
            timestamp = str(self._clock.now_ms() // 1000)
            headers["Outlast-Timestamp"] = timestamp
            headers["Outlast-Signature"] = signature(contact.webhook_secret, timestamp, body)
        answer = post(delivery.receiver, body, headers, deadline_s=self._deadline_s)
        if isinstance(answer, OutwardAnswer):
            return outcome_of(answer, self._clock.now_ms())
        return replace(answer, error=words()("outcome.the_webhook", error=answer.error))

    def _body(self, delivery: Delivery, message: AlarmMessage, contact: Contact) -> tuple[bytes, str]:
        """The body and its media type; ValueError where the contact's template cannot be filled in."""
        if contact.webhook_format == "cap":
            return cap_alert(message, self._sites.get(message.site), self._sender), "application/cap+xml"
        document = webhook_document(message, delivery.key)
        if contact.webhook_template is not None:
            return rendered(contact.webhook_template, document).encode(), contact.webhook_content_type
        return msgspec.json.encode(document), "application/json"

    def _contact(self, delivery: Delivery, message: AlarmMessage) -> Contact | None:
        site = self._sites.get(message.site)
        contacts = () if site is None else site.contacts
        return next((contact for contact in contacts if contact.webhook == delivery.receiver), None)

    def tick(self) -> None:
        """Nothing beside deliveries."""

    def close(self) -> None:
        """Nothing is held open."""
