"""Passes on to the event stream what the forecaster does."""

from __future__ import annotations

import msgspec

from api.http.answers import alarm_out, reading_out
from api.http.stream import Hub, StreamKind
from forecaster.domain.alarms import AlarmTransition
from forecaster.domain.readings import Reading
from forecaster.domain.records import StoredForecast


class StreamPublisher:
    """The Publisher port (`forecaster.domain.publishing`) on the hub of the event stream."""

    def __init__(self, hub: Hub) -> None:
        self._hub = hub

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

    def alarm(self, transition: AlarmTransition) -> None:
        """Publish an `alarm` event: the alarm as it is now, and what happened to it."""
        data = {**alarm_out(transition.alarm), "transition": transition.kind.value}
        self._hub.publish(StreamKind.ALARM, transition.alarm.site, msgspec.json.encode(data).decode())
