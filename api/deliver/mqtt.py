"""The interface's MQTT topics: forecast and alarms retained, `outlast/status` with a will, acknowledgement by command.

`outlast/<site>/forecast` the forecast document · `outlast/<site>/hours_p50` and others its plain values ·
`outlast/<site>/alarm/<kind>` the newest alarm of that kind, its `state` "normal" once it is over · `outlast/status`
online or offline · `outlast/<site>/alarm/<kind>/acknowledge` a command; its payload may name who acknowledges, and
`…/answer` below it says what became of it. What a site that was removed left retained is cleared.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import msgspec

from api.deliver.asking import CommandAnswer, acknowledge_kind, misspelt, name_in
from api.deliver.brokerlink import BrokerLink, InboundMessage, Will
from api.deliver.outcome import Later, Outcome
from api.deliver.plain import PLAIN, plain_topic, plain_values
from api.deliver.words import message_document
from api.http.answers import alarm_out
from api.http.newest import Untaken
from api.process.notes import note_names, noted_names
from collector.config.settings import Broker
from forecaster.alarms.plan import MQTT, AlarmMessage, alarm_topic
from forecaster.domain.alarms import Alarm, AlarmKind
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import Delivery, StoredForecast
from forecaster.domain.site import Site

STATUS = "outlast/status"
ONLINE, OFFLINE = b"online", b"offline"
COMMANDS = "outlast/+/alarm/+/+"
"""Whatever the last word is, so that a misspelt command is answered too."""
NOTE = "mqtt-sites"
QOS = 1


def newest_by_kind(ledger: Ledger, site: str) -> dict[AlarmKind, Alarm]:
    """The newest alarm of each kind that a site has had."""
    found: dict[AlarmKind, Alarm] = {}
    for alarm in ledger.alarms(site):
        held = found.get(alarm.kind)
        if held is None or (alarm.episode, alarm.revision) > (held.episode, held.revision):
            found[alarm.kind] = alarm
    return found


class MqttCarrier:
    """Publishes on the contract's topics."""

    channel = MQTT
    lanes = 1

    def host(self, receiver: str) -> str:
        """ "": not watched, since the connection to the broker mends itself."""
        del receiver
        return ""

    def __init__(
        self,
        broker: Broker,
        client_id: str,
        sites: Mapping[str, Site],
        ledger: Ledger,
        clock: Clock,
        wake: Callable[[], None],
    ) -> None:
        self._sites, self._ledger, self._clock, self._wake = sites, ledger, clock, wake
        self._link = BrokerLink(broker, client_id, Will(STATUS, OFFLINE, QOS), (COMMANDS,))
        self._untaken = Untaken(ledger)
        self._plain: dict[str, bytes] = {}
        self._begun = False

    def send(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        """Publish one alarm's newest state, retained."""
        body = msgspec.json.encode(message_document(message, delivery.key))
        return self._link.publish(delivery.receiver, body, qos=QOS, retain=not message.test)

    def tick(self) -> None:
        """Connect, publish everything after a new connection, publish new forecasts, take commands."""
        if not self._begun:
            self._begun = True
            self._link.start()
            self._link.await_first()
        if self._link.fresh() and not self._tell_all():
            self._link.again()
        self._tell_forecasts()
        for heard in self._link.heard():
            self._obey(heard)

    def close(self) -> None:
        """Publish "offline" and disconnect."""
        self._link.close(Will(STATUS, OFFLINE, QOS))

    def _put(self, topic: str, payload: bytes) -> bool:
        return not isinstance(self._link.publish(topic, payload, qos=QOS), Later)

    def _tell_all(self) -> bool:
        """Publish every state: after a new connection the broker may have lost or missed any of them."""
        self._untaken.forget()
        self._plain.clear()
        told = self._put(STATUS, ONLINE) and self._clear_removed()
        for site in self._sites:
            for kind, alarm in newest_by_kind(self._ledger, site).items():
                told = told and self._put(alarm_topic(site, kind), msgspec.json.encode(alarm_out(alarm)))
        return told

    def _clear_removed(self) -> bool:
        """Clear the retained messages of sites that are no longer configured."""
        cleared = True
        for site in sorted(set(noted_names(self._ledger, NOTE)) - set(self._sites)):
            topics = [f"outlast/{site}/forecast", *(alarm_topic(site, kind) for kind in AlarmKind)]
            topics += [plain_topic(site, name) for name in PLAIN]
            cleared = all(self._put(topic, b"") for topic in topics) and cleared
        if cleared:
            note_names(self._ledger, NOTE, self._sites)
        return cleared

    def _tell_forecasts(self) -> None:
        if not self._link.connected:
            return
        for stored in self._untaken.look(self._sites):
            if not self._tell_forecast(stored):
                return
            self._untaken.take(stored)

    def _tell_forecast(self, stored: StoredForecast) -> bool:
        """Publish a forecast, and the plain values that have changed since they were last published."""
        values = plain_values(stored.site, msgspec.json.decode(stored.document))
        changed = {topic: payload for topic, payload in values.items() if self._plain.get(topic) != payload}
        told = {f"outlast/{stored.site}/forecast": stored.document.encode()} | changed
        if isinstance(self._link.publish_all(told, qos=QOS), Later):
            return False
        self._plain |= changed
        return True

    def _obey(self, heard: InboundMessage) -> None:
        """Handle a command, and answer it. A retained command is old and is ignored."""
        if heard.retained:
            return
        _, site, _, kind, command = heard.topic.split("/")
        answer = misspelt(self._sites, site, kind, command)
        if answer is None:
            by = name_in(heard.payload, "MQTT")
            count = acknowledge_kind(self._ledger, self._clock, site, kind, by, self._wake)
            answer = CommandAnswer(count, None if count else "none-waiting")
        self._link.publish(f"{heard.topic}/answer", msgspec.json.encode(answer), qos=QOS, retain=False)
