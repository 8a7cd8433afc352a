"""What clients may do to the embedded broker: how much they may send, have kept, and in whose name they may speak."""

from __future__ import annotations

import socket
import struct

import paho.mqtt.client as mqtt
from amqtt.session import Session
from paho.mqtt.enums import CallbackAPIVersion

from collector.mqtt.embedded import EmbeddedBroker
from collector.mqtt.embedded_sessions import PACKET_BYTES, RETAINED, RETAINED_BYTES, SessionBroker
from tests.servers import eventually

CONNECT = b"\x10\x11\x00\x04MQTT\x04\x02\x00\x00\x00\x05flood"


def held(broker: EmbeddedBroker) -> SessionBroker:
    assert broker._broker is not None
    return broker._broker


def published(broker: EmbeddedBroker, messages: list[tuple[str, bytes]]) -> None:
    """Publish retained messages at QoS 1, and wait until the broker has taken them."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect(broker.host, broker.port)
    client.loop_start()
    sent = [client.publish(topic, body, 1, retain=True) for topic, body in messages]
    for info in sent:
        info.wait_for_publish(60)
        assert info.is_published()
    client.disconnect()
    client.loop_stop()


def test_a_packet_that_is_too_large_is_not_read(broker: EmbeddedBroker) -> None:
    """In: a packet that announces 200 MB (MQTT 3.1.1 section 2.2.3). Out: hung up on before a byte of it is read."""
    with socket.create_connection((broker.host, broker.port)) as wire:
        wire.settimeout(60)
        wire.sendall(CONNECT)
        assert wire.recv(4)[:1] == b"\x20"
        length, digits = 200_000_000, b""
        while length:
            length, digit = divmod(length, 128)
            digits += bytes([digit | 0x80 if length else digit])
        wire.sendall(b"\x30" + digits + struct.pack("!H", 5) + b"plug1")
        assert wire.recv(1) == b""
    published(broker, [("cellar/plug", b"1")])


def test_retained_messages_are_bounded(broker: EmbeddedBroker) -> None:
    """In: 40 retained messages of 1 MB. Out: as many as 32 MB hold; one that is cleared makes room again."""
    body = b"x" * (PACKET_BYTES - 100)
    published(broker, [(f"flood/{number}", body) for number in range(40)])
    eventually(lambda: len(held(broker).retained_messages) == RETAINED_BYTES // len(body), "the flood")
    published(broker, [("flood/0", b""), ("cellar/plug", body)])
    eventually(lambda: "cellar/plug" in held(broker).retained_messages, "room again")
    assert len(held(broker).retained_messages) <= RETAINED


def test_only_this_machine_says_what_the_program_says(broker: EmbeddedBroker) -> None:
    """A device of the network may not raise an alarm in the program's name; it may ask for one to be acknowledged."""
    near, far = Session(), Session()
    near.remote_address, far.remote_address = "127.0.0.1", "192.0.2.7"
    for topic in ("outlast/larkspur/alarm/high-water", "outlast/status", "homie/5/outlast-larkspur/$state"):
        assert held(broker).may_say(near, topic)
        assert not held(broker).may_say(far, topic)
    for topic in (
        "outlast/larkspur/alarm/high-water/acknowledge",
        "homie/5/outlast-larkspur/alarms/acknowledge/set",
        "cellar/plug",
    ):
        assert held(broker).may_say(far, topic)
