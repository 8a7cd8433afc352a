"""Who may say and hear what at the shipped brokers: every user against every kind of topic, on a real mosquitto."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.brokers import ShippedBroker

USERS = ("outlast", "plug", "larkspur", "bridge")
PATIENCE_S = 60.0

MAY_SAY: dict[str, dict[str, set[str]]] = {
    "house": {
        "outlast/larkspur/alarm/high-water": {"outlast"},
        "homie/5/outlast-larkspur/$state": {"outlast"},
        "sensors/plug/power": {"plug"},
        "sensors/other/power": set(),
        "sensors": set(),
    },
    "office": {
        "outlast/larkspur/alarm/high-water": {"outlast"},
        "homie/5/outlast-larkspur/$state": {"outlast"},
        "sites/larkspur/sensors/plug/power": {"larkspur"},
        "sites/other/sensors/plug/power": set(),
    },
}
"""Topic to the users who may publish there, by broker."""

MAY_HEAR: dict[str, dict[str, set[str]]] = {
    "house": {
        "outlast/larkspur/alarm/high-water": {"outlast", "bridge"},
        "sensors/plug/power": {"outlast", "bridge", "plug"},
    },
    "office": {
        "outlast/larkspur/alarm/high-water": {"outlast"},
        "sites/larkspur/sensors/plug/power": {"outlast", "larkspur"},
    },
}


@pytest.fixture(params=["house", "office"])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[ShippedBroker]:
    made = ShippedBroker(tmp_path / "broker", request.param, dict.fromkeys(USERS, "secret"))
    made.prepare()
    made.start()
    yield made
    made.stop()


@contextmanager
def client(broker: ShippedBroker, user: str | None) -> Iterator[mqtt.Client]:
    made = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    made.username_pw_set(user, None if user is None else "secret")
    answered = threading.Event()
    made.user_data_set({})

    def on_connect(_c: mqtt.Client, told: dict[str, Any], _f: Any, reason: Any, _p: Any) -> None:
        told["refused"] = reason.is_failure
        answered.set()

    made.on_connect = on_connect
    made.connect("127.0.0.1", broker.port)
    made.loop_start()
    assert answered.wait(PATIENCE_S)
    try:
        yield made
    finally:
        made.disconnect()
        made.loop_stop()


def says(made: mqtt.Client, topic: str) -> bool:
    """Whether a publication at QoS 1 is taken: an MQTT 5 broker answers 135, not authorized, where it is not."""
    answered, reasons = threading.Event(), []

    def on_publish(_c: mqtt.Client, _u: Any, _mid: int, reason: Any, _p: Any) -> None:
        reasons.append(reason.value)
        answered.set()

    made.on_publish = on_publish
    made.publish(topic, b"1", qos=1, retain=True)
    assert answered.wait(PATIENCE_S)
    return 135 not in reasons


def hears(made: mqtt.Client, topic: str) -> bool:
    """Whether the retained message of a topic comes to who subscribes to everything; a mark of its own comes last."""
    heard, topics = threading.Event(), set()

    def on_message(_c: mqtt.Client, _u: Any, message: mqtt.MQTTMessage) -> None:
        topics.add(message.topic)
        heard.set()

    def on_unsubscribe(*_: Any) -> None:
        heard.set()

    made.on_message, made.on_unsubscribe = on_message, on_unsubscribe
    made.subscribe(topic, qos=1)
    made.unsubscribe("nobody/this")  # answered after the retained message, which follows its subscription at once
    assert heard.wait(PATIENCE_S)
    return topic in topics


def test_nobody_comes_without_a_name(broker: ShippedBroker) -> None:
    with client(broker, None) as made:
        assert made.user_data_get()["refused"]


def test_who_may_say_what(broker: ShippedBroker) -> None:
    for topic, allowed in MAY_SAY[broker.name].items():
        for user in USERS:
            with client(broker, user) as made:
                assert says(made, topic) is (user in allowed), (user, topic)


def test_who_may_hear_what(broker: ShippedBroker) -> None:
    for topic, allowed in MAY_HEAR[broker.name].items():
        speaker = next(iter(MAY_SAY[broker.name][topic]))
        with client(broker, speaker) as made:
            assert says(made, topic)
        for user in USERS:
            with client(broker, user) as made:
                assert hears(made, topic) is (user in allowed), (user, topic)
