"""Browser push: VAPID (RFC 8292) with keys made at the first start, encrypted per RFC 8291 by pywebpush.

A subscription is dropped only when the push service answers 404 or 410 (RFC 8030 section 7.3).
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Collection
from dataclasses import replace
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

import msgspec
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from py_vapid import Vapid02

from api.deliver.lanes import MOST
from api.deliver.outcome import Later, Needless, Never, Outcome, Sent
from api.deliver.outward import DEADLINE_S, OutwardAnswer, post
from api.deliver.secret import own_secret, private_bytes
from api.deliver.words import title
from collector.config.settings import Installation
from forecaster.alarms.plan import PUSH, AlarmMessage
from forecaster.domain.alarms import Priority
from forecaster.domain.errors import ConfigError
from forecaster.domain.ports import Ledger
from forecaster.domain.records import Delivery, PushSubscription
from forecaster.texts.catalogue import Said, words
from forecaster.texts.wording import unnamed

KEY_FILE = "push-key.pem"
TTL_S = 12 * 3600
"""How long a push service keeps a message for a phone that is switched off [s]; 0 would drop it at once."""
GONE = frozenset({404, 410})
TOO_LARGE = 413
LONGEST_ACTION = 800
"""Characters of the action: RFC 8291 leaves a little under 4,096 bytes of plaintext."""


def keys_of(installation: Installation, ledger: Ledger) -> Vapid02:
    """The VAPID keys that all processes of an installation share; from the file that its settings name, if they do.

    Errors: ConfigError where they can neither be made nor read, or are none.
    """
    file = installation.push.key_file
    if file is not None:
        return push_keys(file)
    return _parsed(own_secret(installation, ledger, KEY_FILE, _made), installation.own_file(KEY_FILE))


def push_keys(key_file: Path) -> Vapid02:
    """The VAPID keys in a file; made, with mode 0600, where it does not exist yet. ConfigError where it holds none."""
    return _parsed(private_bytes(key_file, _made().encode()), key_file)


def _made() -> str:
    made = ec.generate_private_key(ec.SECP256R1()).private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    return made.decode()


def _parsed(pem: bytes, key_file: Path) -> Vapid02:
    try:
        return Vapid02.from_pem(pem)
    except (ValueError, TypeError) as error:
        raise ConfigError(
            str(key_file),
            "push.key_file",
            Said("config.it_holds_no_key", error=str(error)),
            Said("config.move_it_away"),
        ) from error


def public_key(keys: Vapid02) -> str:
    """What a browser needs to subscribe: the uncompressed point, base64url (RFC 8292 section 3.2)."""
    raw = keys.public_key.public_bytes(serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint)
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def payload(message: AlarmMessage, key: str, page: str | None) -> bytes:
    """What the page's service worker shows: title, body, and a tag that lets a newer message replace an older one."""
    alarm = message.alarm
    return msgspec.json.encode(
        {
            "title": title(message),
            "body": unnamed(alarm.headline, message.site_name, words(message.language)),
            "action": f"{alarm.action} {message.afar}".strip()[:LONGEST_ACTION],
            "tag": message.thread,
            "key": key,
            "id": alarm.id,
            "site": message.site,
            "priority": alarm.priority.value,
            "transition": message.transition.value,
            "url": page or f"/sites/{message.site}",
        }
    )


class PushCarrier:
    """Posts to browsers' push services.

    allow_hosts : hosts that may lie inside a private network
    deadline_s : float — for a whole attempt [s]
    """

    channel = PUSH
    lanes = MOST

    def __init__(
        self,
        keys: Vapid02,
        contact: str,
        ledger: Ledger,
        public_url: str | None,
        allow_hosts: Collection[str] = (),
        deadline_s: float = DEADLINE_S,
    ) -> None:
        self._keys, self._contact, self._ledger = keys, contact, ledger
        self._public_url, self._allowed, self._deadline_s = public_url, allow_hosts, deadline_s

    def host(self, receiver: str) -> str:
        """Host and port of the browser's push service."""
        subscription = self._subscription(receiver)
        return "" if subscription is None else urlsplit(subscription.endpoint).netloc.rpartition("@")[2].lower()

    def send(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        """One attempt."""
        from api.deliver.webpush import push_once

        subscription = self._subscription(delivery.receiver)
        if subscription is None:
            return Needless(words()("outcome.this_browser_has_unsubscribed"))
        page = None if self._public_url is None else f"{self._public_url.rstrip('/')}/sites/{message.site}"
        urgency = "normal" if message.alarm.priority is Priority.LOW else "high"
        try:
            answer = push_once(
                subscription, payload(message, delivery.key, page), self._keys, self._contact,
                ttl_s=TTL_S, headers={"Urgency": urgency, "Topic": topic(message.thread)},
                send=partial(post, allowed=self._allowed, deadline_s=self._deadline_s),
            )  # fmt: skip
        except ValueError as error:
            self._ledger.drop_subscription(subscription.id)
            return Never(words()("outcome.the_browsers_keys_cannot_be_used", error=str(error)))
        if isinstance(answer, OutwardAnswer):
            return self._outcome(answer, subscription)
        return replace(
            answer, error=words()("outcome.the_push_service", without=without(answer.error, subscription.endpoint))
        )

    def _outcome(self, answer: OutwardAnswer, subscription: PushSubscription) -> Outcome:
        code = answer.status
        if 200 <= code < 300:  # the library knows of 201 and 202 alone
            return Sent()
        if code in GONE:
            self._ledger.drop_subscription(subscription.id)
            return Never(words()("outcome.the_browser_has_gone_the_push", code=code))
        if code == TOO_LARGE:
            return Never(words()("outcome.the_push_service_says_the_message"))
        after = answer.headers.get("retry-after", "")
        return Later(
            words()("outcome.the_push_service_answered", code=code), float(after[:9]) if after.isdecimal() else None
        )

    def _subscription(self, identity: str) -> PushSubscription | None:
        return next((item for item in self._ledger.subscriptions() if item.id == identity), None)

    def tick(self) -> None:
        """Nothing beside deliveries."""

    def close(self) -> None:
        """Nothing is held open."""


def without(error: str, endpoint: str) -> str:
    """The text of an error without the endpoint, which identifies a browser."""
    return error.replace(endpoint, words()("outcome.its_address"))


def topic(thread: str) -> str:
    """A push Topic (RFC 8030 section 5.4): at most 32 base64url characters; a newer message replaces an older one."""
    return base64.urlsafe_b64encode(hashlib.sha256(thread.encode()).digest())[:32].decode()
