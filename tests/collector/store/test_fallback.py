"""A broker that speaks MQTT 3.1.1 only: the collector finds out and falls back."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from collector.mqtt.embedded import EmbeddedBroker, free_port
from tests.collector.test_collector import house, plug
from tests.engines import PATIENCE_S
from tests.servers import eventually


@pytest.fixture
def old_broker() -> Iterator[EmbeddedBroker]:
    """An amqtt broker."""
    broker = EmbeddedBroker("127.0.0.1", free_port())
    broker.start()
    yield broker
    broker.stop()


def stands(broker: EmbeddedBroker, protocol: MQTTProtocolVersion) -> bool:
    """Whether the broker takes a connection of a protocol."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="asker", protocol=protocol, reconnect_on_failure=False)
    answered = threading.Event()
    taken: list[bool] = []

    def on_connect(_c: Any, _u: Any, _f: Any, reason: Any, _p: Any) -> None:
        taken.append(not reason.is_failure)
        answered.set()

    client.on_connect = on_connect
    client.on_disconnect = lambda *_: answered.set()
    client.connect(broker.host, broker.port)
    client.loop_start()
    assert answered.wait(PATIENCE_S), "the broker says nothing"
    client.disconnect()
    client.loop_stop()
    return taken == [True]


def publish(broker: EmbeddedBroker, *messages: tuple[str, bytes]) -> None:
    """Publish with acknowledgement, in MQTT 3.1.1."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="hub", protocol=MQTTProtocolVersion.MQTTv311)
    client.connect(broker.host, broker.port)
    client.loop_start()
    for topic, payload in messages:
        client.publish(topic, payload, qos=1).wait_for_publish(20)
    client.disconnect()
    client.loop_stop()


def test_a_broker_of_an_older_protocol_is_found_out_and_used(tmp_path: Path, old_broker: EmbeddedBroker) -> None:
    assert not stands(old_broker, MQTTProtocolVersion.MQTTv5)
    assert stands(old_broker, MQTTProtocolVersion.MQTTv311)
    with house(tmp_path, old_broker.url) as made:
        assert made.installation.broker.embedded is False, "it begins with MQTT 5"
        assert made.collector.state().protocol == "3.1.1"
        publish(old_broker, *[plug(i) for i in range(20)])
        eventually(lambda: made.store.count() == 20, "20 readings")
        assert made.collector.state().problems == ()
