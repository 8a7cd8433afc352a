"""The title of a message, and its JSON form for hubs and webhooks."""

from __future__ import annotations

from typing import Any

from api.http.answers import alarm_out
from forecaster.alarms.plan import AlarmMessage
from forecaster.engine.document import time_text
from forecaster.texts.catalogue import words


def title(message: AlarmMessage) -> str:
    """The line above the headline on a lock screen: the name of the site, and whether it is a test."""
    return words(message.language)("mail.test", site=message.site_name) if message.test else message.site_name


def message_document(message: AlarmMessage, key: str) -> dict[str, Any]:
    """The alarm, what happened to it, and the key by which a repeat can be dropped; hubs get no names of people."""
    return {
        **alarm_out(message.alarm),
        "site_name": message.site_name,
        "timezone": message.timezone,
        "transition": message.transition.value,
        "at": time_text(message.at_ms),
        "test": message.test,
        "key": key,
    }


def webhook_document(message: AlarmMessage, key: str) -> dict[str, Any]:
    """The same for a webhook, with what to do from far away: it names nobody there."""
    return {**message_document(message, key), "afar": message.afar}
