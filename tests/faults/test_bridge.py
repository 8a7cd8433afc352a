"""House and office brokers with the shipped files: the house works alone, the office catches up in order."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from forecaster.domain.quantities import Quantity
from tests.brokers import ShippedBroker
from tests.collector.examples import LARKSPUR
from tests.collector.test_collector import START_S
from tests.collector.test_collector import house as collecting
from tests.engines import PATIENCE_S, wait_until

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
        taken = threading.Event()
        client.on_subscribe = lambda *_: taken.set()
        client.subscribe(topic, options=SubscribeOptions(qos=1))
        assert taken.wait(PATIENCE_S)
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
        wait_until(client.is_connected, "the session")  # one that breaks is taken up again
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


HOUR = {
    Quantity.PUMP_POWER: "W",
    Quantity.PUMP_ENERGY: "Wh",
    Quantity.PACK_CHARGE: "%",
    Quantity.PACK_OUTPUT_POWER: "W",
    Quantity.PACK_TEMPERATURE: "degC",
}
"""What the house tells every 10 s, and its unit."""

AT_OFFICE = LARKSPUR.split("[[channels]]", maxsplit=1)[0] + "".join(
    f'[[channels]]\nquantity = "{quantity}"\ntopic = "sites/larkspur/sensors/cellar/{quantity}"\n'
    f'value = "$.v"\ntime = "$.t"\nunit = "{unit}"\n'
    for quantity, unit in HOUR.items()
)


def test_an_hour_without_the_line_is_stored_whole_at_the_office(
    house: ShippedBroker, office: ShippedBroker, tmp_path: Path
) -> None:
    """In: an hour of five channels every 10 s, 1,800 messages while the line is cut, 10 before and 10 after. Out: 1,820
    rows at the office, each once, with its own time and in the order of publishing."""
    (tmp_path / "outlast").mkdir()
    (tmp_path / "outlast" / "password").write_text("hear\n")
    published: list[tuple[Quantity, int, float]] = []

    def tell(client: mqtt.Client, steps: range) -> None:
        for step in steps:
            for quantity in HOUR:
                at_s, value = START_S + 10 * step, float(10 + step % 90)
                told = client.publish(f"sensors/cellar/{quantity}", f'{{"v": {value}, "t": {at_s}}}', qos=1)
                told.wait_for_publish(10)
                assert told.is_published()
                published.append((quantity, at_s * 1000, value))

    named = 'username = "outlast"\npassword_file = "password"\n'
    url = f"mqtt://127.0.0.1:{office.port}"
    with collecting(tmp_path / "outlast", url, AT_OFFICE, named) as made, connected(house, "cellar", "plug") as cellar:
        tell(cellar, range(2))
        wait_until(lambda: made.store.count() == 10, "what was told before the line was cut")
        office.stop()
        tell(cellar, range(2, 362))
        assert made.store.count() == 10
        office.start()
        tell(cellar, range(362, 364))
        wait_until(lambda: made.store.count() >= len(published), "the office catching up")
        stored = [(r.quantity, r.time_ms, r.value) for r in made.store.tail(None, 5000).readings]
        assert len(published) == 1820
        assert made.store.count() == 1820
        assert stored == published
        assert made.ledger.refusals() == []


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
        # a broker keeps the order of what one client sends at one level: what came before would be heard before
        wait_until(lambda: len(heard) >= 1, "the message in its own folder")
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
