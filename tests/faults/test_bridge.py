"""House and office brokers with the shipped files: the house works alone, the office catches up in order."""

from __future__ import annotations

import ssl
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from tests.brokers import ShippedBroker
from tests.engines import wait_until

PASSWORDS = {"outlast": "hear", "cellar": "plug", "bridge": "line"}
OFFICE_PASSWORDS = {"outlast": "hear", "larkspur": "far", "briar": "other"}


@contextmanager
def connected(
    broker: ShippedBroker, user: str, password: str, *, tls: bool = False, name: str = ""
) -> Iterator[mqtt.Client]:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name or f"test-{user}", protocol=mqtt.MQTTv5)
    client.username_pw_set(user, password)
    if tls:
        client.tls_set(str(broker.folder / "certs" / "ca.crt"), tls_version=ssl.PROTOCOL_TLS_CLIENT)
    client.connect("127.0.0.1", broker.tls_port if tls else broker.port)
    client.loop_start()
    try:
        wait_until(client.is_connected, f"session of {user}")
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


@contextmanager
def hearing(broker: ShippedBroker, topic: str) -> Iterator[list[tuple[str, bytes]]]:
    heard: list[tuple[str, bytes]] = []
    with connected(broker, "outlast", "hear") as client:
        client.on_message = lambda _c, _u, m: heard.append((m.topic, bytes(m.payload)))
        client.subscribe(topic, options=SubscribeOptions(qos=1))
        time.sleep(0.3)
        yield heard


@pytest.fixture
def office(tmp_path: Path) -> Iterator[ShippedBroker]:
    broker = ShippedBroker(tmp_path / "office", "office", OFFICE_PASSWORDS)
    broker.prepare()
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def house(tmp_path: Path, office: ShippedBroker) -> Iterator[ShippedBroker]:
    broker = ShippedBroker(
        tmp_path / "house",
        "house",
        PASSWORDS,
        bridge_to={
            "office.example.org:8883": f"127.0.0.1:{office.tls_port}",
            "local_password change-me": "local_password line",
            "remote_password change-me": "remote_password far",
            "restart_timeout 2 60": "restart_timeout 1",
        },
    )
    broker.prepare()
    # the line trusts the office's authority
    (broker.folder / "certs" / "office-ca.crt").write_bytes((office.folder / "certs" / "ca.crt").read_bytes())
    bridge = broker.folder / "conf.d" / "bridge.conf"
    bridge.write_text(bridge.read_text().replace("certs/ca.crt", "certs/office-ca.crt"))
    broker.start()
    yield broker
    broker.stop()


def publish(client: mqtt.Client, topic: str, numbers: range, qos: int = 1) -> None:
    for number in numbers:
        client.publish(topic, str(number), qos=qos).wait_for_publish(10)


def test_office_catches_up_in_order_after_the_line_was_cut(house: ShippedBroker, office: ShippedBroker) -> None:
    with connected(house, "cellar", "plug") as plug:
        with hearing(office, "sites/larkspur/#") as heard:
            publish(plug, "sensors/cellar/power", range(50))
            wait_until(lambda: len([h for h in heard if "power" in h[0]]) == 50, "the first messages at the office")
        office.stop()
        # the house works alone: its own Outlast still hears, and far more waits than mosquitto's default would keep
        with hearing(house, "sensors/#") as at_home:
            publish(plug, "sensors/cellar/power", range(50, 2050))
            wait_until(lambda: len(at_home) == 2000, "messages heard in the house while the line is cut")
        office.start()
        with hearing(office, "sites/larkspur/sensors/#") as heard:
            wait_until(lambda: len(heard) >= 2000, "the office catching up")
            publish(plug, "sensors/cellar/power", range(2050, 2060))
            wait_until(lambda: len(heard) >= 2010, "live messages after catching up")
    values = [int(payload) for _, payload in heard]
    assert values == list(range(50, 2060))
    assert {topic for topic, _ in heard} == {"sites/larkspur/sensors/cellar/power"}


def test_a_power_cut_in_the_house_forgets_at_most_what_was_not_yet_saved(
    house: ShippedBroker, office: ShippedBroker
) -> None:
    office.stop()
    with connected(house, "cellar", "plug") as plug:
        publish(plug, "sensors/cellar/power", range(500))
    house.kill()
    house.start()
    office.start()
    with hearing(office, "sites/larkspur/sensors/#") as heard:
        wait_until(lambda: len(heard) >= 400, "what waited in the house")
    # written after every 100 changes: at most the last 100 are forgotten, and nothing is missing before them
    values = [int(payload) for _, payload in heard]
    assert values == list(range(len(values)))


def test_a_house_reaches_only_its_own_folder(office: ShippedBroker) -> None:
    with hearing(office, "sites/#") as heard, connected(office, "briar", "other", tls=True) as briar:
        briar.publish("sites/larkspur/sensors/cellar/power", "0", qos=1)
        briar.publish("outlast/larkspur/forecast", "0", qos=1)
        publish(briar, "sites/briar/sensors/cellar/power", range(7, 8))
        wait_until(lambda: len(heard) >= 1, "the message in its own folder")
        time.sleep(0.3)
    assert heard == [("sites/briar/sensors/cellar/power", b"7")]


def test_nobody_enters_without_a_password(office: ShippedBroker) -> None:
    refused: list[object] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="stranger", protocol=mqtt.MQTTv5)
    client.on_connect = lambda _c, _u, _f, reason, _p: refused.append(reason)
    client.connect("127.0.0.1", office.port)
    client.loop_start()
    wait_until(lambda: bool(refused), "the broker's answer")
    client.disconnect()
    client.loop_stop()
    assert str(refused[0]) == "Not authorized"
