"""Passes on to the event stream what the forecaster does."""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from api.http.answers import alarm_out, reading_out
from api.http.stream import Hub, StreamKind
from forecaster.domain.alarms import AlarmTransition
from forecaster.domain.readings import Reading
from forecaster.domain.records import StoredForecast


def nobody() -> None:
    """In place of a call that wakes somebody, where nobody in this process waits for news."""


class StreamPublisher:
    """The Publisher port (`forecaster.domain.publishing`) on the hub of the event stream.

    alarmed : called after a change of an alarm was committed: whoever follows the ledger publishes it, in its order
    """

    def __init__(self, hub: Hub, alarmed: Callable[[], None] = nobody) -> None:
        self._hub, self._alarmed = hub, alarmed

    @property
    def listening(self) -> bool:
        """Whether a client is connected."""
        return self._hub.clients > 0

    def reading(self, reading: Reading) -> None:
        """Publish a `reading` event."""
        self._hub.publish(StreamKind.READING, reading.site, msgspec.json.encode(reading_out(reading)).decode())

    def forecast(self, stored: StoredForecast) -> None:
        """Publish a `forecast` event."""
        self._hub.publish(StreamKind.FORECAST, stored.site, stored.document)

    def alarm(self, _transition: AlarmTransition, /) -> None:
        """A change of an alarm was committed."""
        self._alarmed()


def alarm_data(transition: AlarmTransition) -> str:
    """The data of an `alarm` event: the alarm as it was then, and what happened to it."""
    return msgspec.json.encode({**alarm_out(transition.alarm), "transition": transition.kind.value}).decode()
