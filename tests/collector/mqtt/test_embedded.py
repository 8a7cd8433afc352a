"""The embedded broker by itself, against paho clients: what it has taken with QoS 1 is not lost while it runs.

MQTT 3.1.1 (OASIS): 3.1.2.4 stored session state, 4.3.2 at least once, 4.4 delivery again, 3.1.4 taking a session over.
"""

from __future__ import annotations

import asyncio
import queue
import socket
import struct
import threading
from collections.abc import Coroutine, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from amqtt.mqtt.protocol import handler
from paho.mqtt.enums import CallbackAPIVersion

from api.process.parts import Part
from api.process.process import Process
from collector.clock import SystemClock
from collector.collector import Collector
from collector.config.settings import load_installation
from collector.mqtt.embedded import EmbeddedBroker, free_port
from collector.mqtt.embedded_sessions import ClosingWriter
from collector.store.open import open_ledger, open_store
from forecaster.domain.errors import ConfigError
from tests.collector.examples import installation_in
from tests.collector.store.test_fallback import publish
from tests.collector.test_collector import open_readings_of, plug
from tests.engines import PATIENCE_S
from tests.servers import eventually

TOPIC = "cellar/plug/state"
FORGETFUL_S = 5
"""By itself the library gives up a message that is not acknowledged within this time, a literal in its code."""


class Hasty:
    """asyncio as the library's handler sees it, where it gives up after a twentieth of that time."""

    def __getattr__(self, name: str) -> Any:
        return getattr(asyncio, name)

    def wait_for(self, awaited: Any, timeout: float | None) -> Coroutine[Any, Any, Any]:
        return asyncio.wait_for(awaited, FORGETFUL_S / 20 if timeout == FORGETFUL_S else timeout)

    async def gives_up(self) -> bool:
        """Wait as the library would from now on; whatever it waited for before is given up by then."""
        try:
            await self.wait_for(asyncio.get_running_loop().create_future(), FORGETFUL_S)
        except TimeoutError:
            return True
        return False


class Subscriber:
    """A client with a persistent session that acknowledges by hand, or not at all."""

    def __init__(self, broker: EmbeddedBroker, *, acknowledges: bool = True, name: str = "subscriber") -> None:
        self.got: queue.SimpleQueue[mqtt.MQTTMessage] = queue.SimpleQueue()
        self.resumed: bool | None = None
        subscribed: queue.SimpleQueue[list[Any]] = queue.SimpleQueue()
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv311, clean_session=False, manual_ack=True
        )

        def on_connect(client: mqtt.Client, _u: Any, flags: mqtt.ConnectFlags, _r: Any, _p: Any) -> None:
            self.resumed = flags.session_present
            client.subscribe(TOPIC, qos=2)

        def on_message(client: mqtt.Client, _u: Any, message: mqtt.MQTTMessage) -> None:
            if acknowledges:
                client.ack(message.mid, message.qos)
            self.got.put(message)

        self.client.on_connect, self.client.on_message = on_connect, on_message
        self.client.on_subscribe = lambda _c, _u, _m, reasons, _p: subscribed.put(reasons)
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()
        self.granted = [reason.value for reason in subscribed.get(timeout=PATIENCE_S)]

    def take(self, count: int) -> list[mqtt.MQTTMessage]:
        """The next messages."""
        return [self.got.get(timeout=PATIENCE_S) for _ in range(count)]

    def leave(self) -> None:
        """Say goodbye once the broker has read all that was sent before, acknowledgements too; the session stays."""
        answered = threading.Event()
        self.client.on_unsubscribe = lambda *_: answered.set()
        if self.client.unsubscribe("nobody/subscribes")[0] == mqtt.MQTT_ERR_SUCCESS:
            assert answered.wait(PATIENCE_S)
        self.client.disconnect()
        self.client.loop_stop()
        self.client.on_connect = self.client.on_message = None  # they know it: see collector.mqtt.wire.Client.leave


@contextmanager
def subscriber(broker: EmbeddedBroker, *, acknowledges: bool = True) -> Iterator[Subscriber]:
    made = Subscriber(broker, acknowledges=acknowledges)
    try:
        yield made
    finally:
        made.leave()


def leave_nothing(broker: EmbeddedBroker) -> None:
    """A client whose session is to be forgotten comes and goes, and the library's own sweep has forgotten it."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="passing", protocol=mqtt.MQTTv311, clean_session=True)
    known = queue.SimpleQueue[bool]()
    client.on_connect = lambda *_: known.put(True)
    client.connect(broker.host, broker.port)
    client.loop_start()
    assert known.get(timeout=PATIENCE_S)
    inner = broker._broker
    assert inner is not None
    assert "passing" in inner._sessions
    client.disconnect()
    client.loop_stop()
    eventually(lambda: "passing" not in inner._sessions, "the library's sweep")


def bodies(messages: list[mqtt.MQTTMessage]) -> list[bytes]:
    return [bytes(message.payload) for message in messages]


def test_what_is_sent_while_a_client_is_away_waits_for_it_in_order(broker: EmbeddedBroker) -> None:
    with subscriber(broker) as first:
        assert (first.resumed, first.granted) == (False, [1])
    leave_nothing(broker)
    sent = [plug(i) for i in range(1500)]
    publish(broker, *sent)
    with subscriber(broker) as back:
        got = back.take(len(sent))
        assert back.resumed is True
        assert bodies(got) == [body for _, body in sent]
        assert {(m.qos, m.retain, m.dup) for m in got} == {(1, False, False)}
        publish(broker, plug(9999))
        assert bodies(back.take(1)) == [plug(9999)[1]]


def test_what_is_not_acknowledged_is_sent_again_however_late(
    broker: EmbeddedBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    hasty = Hasty()
    monkeypatch.setattr(handler, "asyncio", hasty)
    sent = [plug(i) for i in range(20)]
    with subscriber(broker, acknowledges=False) as silent:
        publish(broker, *sent)
        assert bodies(silent.take(20)) == [body for _, body in sent]
        assert broker._loop is not None
        assert asyncio.run_coroutine_threadsafe(hasty.gives_up(), broker._loop).result(PATIENCE_S)
    with subscriber(broker) as back:
        again = back.take(20)
        assert bodies(again) == [body for _, body in sent]
        assert all(message.dup for message in again)
    with subscriber(broker) as back:
        publish(broker, plug(77))
        assert bodies(back.take(1)) == [plug(77)[1]], "what was acknowledged is not sent a third time"


def test_a_client_that_comes_twice_takes_its_session_over(broker: EmbeddedBroker) -> None:
    first = Subscriber(broker)
    first.client.on_connect = None
    second = Subscriber(broker)
    first.leave()
    assert second.resumed is True
    sent = [plug(i) for i in range(200)]
    publish(broker, *sent)
    assert bodies(second.take(200)) == [body for _, body in sent]
    second.leave()


def test_retained_messages_are_marked_as_such_for_a_new_subscription(broker: EmbeddedBroker) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    client.connect(broker.host, broker.port)
    client.loop_start()
    client.publish(TOPIC, b"kept", qos=1, retain=True).wait_for_publish(PATIENCE_S)
    client.disconnect()
    client.loop_stop()
    with subscriber(broker) as made:
        (kept,) = made.take(1)
        assert (kept.payload, kept.retain) == (b"kept", True)


def test_nobody_is_sent_what_another_has_subscribed_to(broker: EmbeddedBroker) -> None:
    """MQTT 3.1.1, 3.3.1.3: retained messages come with a subscription, and only those that match it.

    In: a client with a filter and retained messages under it; one that comes and asks for another topic. Out: it hears
    that one alone.
    """
    heard: queue.SimpleQueue[mqtt.MQTTMessage] = queue.SimpleQueue()
    with subscriber(broker) as made:
        stranger = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        stranger.on_message = lambda _c, _u, message: heard.put(message)
        made.client.publish(TOPIC, b"kept", qos=1, retain=True).wait_for_publish(PATIENCE_S)
        made.client.publish("cellar/pump", b"also kept", qos=1, retain=True).wait_for_publish(PATIENCE_S)
        made.take(1)
        connected = threading.Event()
        stranger.on_connect = lambda *_: connected.set()
        stranger.connect(broker.host, broker.port)
        stranger.loop_start()
        assert connected.wait(PATIENCE_S)
        stranger.subscribe("cellar/pump", qos=1)
        assert heard.get(timeout=PATIENCE_S).topic == "cellar/pump"
        stranger.disconnect()
        stranger.loop_stop()
    assert heard.empty()


@pytest.mark.parametrize("said", [b"", b"GET / HTTP/1.1\r\n\r\n"])
def test_who_speaks_no_mqtt_is_shown_out_and_nobody_else_is_disturbed(broker: EmbeddedBroker, said: bytes) -> None:
    with subscriber(broker) as made:
        for _ in range(3):
            with socket.create_connection((broker.host, broker.port), timeout=PATIENCE_S) as stranger:
                stranger.sendall(said)
                stranger.shutdown(socket.SHUT_WR)
                assert stranger.recv(100) == b""
        publish(broker, plug(1))
        assert bodies(made.take(1)) == [plug(1)[1]]


def test_a_connection_that_was_reset_unseen_is_closed_all_the_same() -> None:
    """A port scan, or a phone that lost its network: the reset is in, the broker has not read it, and says goodbye."""
    reset = threading.Event()
    served: Future[asyncio.StreamWriter] = Future()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readexactly(1)
        reset.wait(PATIENCE_S)
        await ClosingWriter(writer).close()
        served.set_result(writer)

    def stranger(port: int) -> None:
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as one:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            one.sendall(b"?")
        reset.set()

    async def both() -> bool:
        async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
            await asyncio.to_thread(stranger, server.sockets[0].getsockname()[1])
            return (await asyncio.wait_for(asyncio.wrap_future(served), PATIENCE_S)).transport.is_closing()

    assert asyncio.run(both())


def test_with_a_password_only_those_who_know_it_come_in() -> None:
    broker = EmbeddedBroker("127.0.0.1", free_port(), "plug", "hush")
    broker.start()
    try:
        answers = {given: _answer(broker, *given) for given in (("plug", "hush"), ("plug", "x"), ("", ""))}
    finally:
        broker.stop()
    assert answers == {("plug", "hush"): 0, ("plug", "x"): 135, ("", ""): 135}


def _answer(broker: EmbeddedBroker, user: str, password: str) -> int:
    told: queue.SimpleQueue[int] = queue.SimpleQueue()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311, reconnect_on_failure=False)
    if user:
        client.username_pw_set(user, password)
    client.on_connect = lambda _c, _u, _f, reason, _p: told.put(reason.value)
    client.connect(broker.host, broker.port)
    client.loop_start()
    try:
        return told.get(timeout=PATIENCE_S)
    finally:
        client.disconnect()
        client.loop_stop()


def embedded_in(folder: Path, port: int, more: str = "") -> Path:
    """An installation with its own broker."""
    made = installation_in(folder)
    text = f'[broker]\nurl = "embedded"\nlisten_port = {port}\n{more}'
    (made / "outlast.toml").write_text(text, encoding="utf-8")
    return made


def test_beyond_loopback_it_does_not_open_without_a_password(tmp_path: Path) -> None:
    folder = embedded_in(tmp_path, free_port(), 'listen_host = "0.0.0.0"\n')
    with pytest.raises(ConfigError, match="anybody who reaches"):
        Process(load_installation(folder), frozenset({Part.COLLECT}), SystemClock())
    (folder / "secret").write_text("hush\n", encoding="utf-8")
    embedded_in(folder, free_port(), 'listen_host = "0.0.0.0"\nusername = "plug"\npassword_file = "secret"\n')
    process = Process(load_installation(folder), frozenset({Part.COLLECT}), SystemClock())
    process.start()
    try:
        eventually(lambda: bool(process.services.workers) and _collector(process).state().connected, "the collector")
    finally:
        process.close()


def _collector(process: Process) -> Collector:
    (found,) = [worker for worker in process.services.workers if isinstance(worker, Collector)]
    return found


def test_the_collector_goes_and_comes_back_and_stores_all_of_it(tmp_path: Path, broker: EmbeddedBroker) -> None:
    """As when site files change: the broker stays, the collector is made anew, and messages come all the while."""
    installation = load_installation(embedded_in(tmp_path, broker.port))
    store, ledger = open_store(installation.readings_url), open_ledger(installation.ledger_url)
    first = Collector(installation, store, ledger, SystemClock(), lambda: None)
    first.start()
    eventually(lambda: first.state().connected, "the subscription")
    publish(broker, *[plug(i) for i in range(300)])
    first.stop()
    publish(broker, *[plug(i) for i in range(300, 600)])
    second = Collector(installation, store, ledger, SystemClock(), lambda: None)
    second.start()
    publish(broker, *[plug(i) for i in range(600, 900)])
    eventually(lambda: store.count("larkspur") == 900, "all of it")
    assert second.state().problems == ()
    second.stop()
    store.close()
    ledger.close()


def test_what_the_broker_has_taken_is_stored_when_the_process_ends(tmp_path: Path) -> None:
    """A publisher that was told its message is taken does not send it again: it must not end with the process."""
    port = free_port()
    folder = embedded_in(tmp_path, port, "\n[store]\ncommit_window_ms = 500\n")
    process = Process(load_installation(folder), frozenset({Part.COLLECT}), SystemClock())
    process.start()
    try:
        eventually(lambda: bool(process.services.workers) and _collector(process).state().connected, "the collector")
        publish(EmbeddedBroker("127.0.0.1", port), *[plug(i) for i in range(1800)])
    finally:
        process.close()
    with open_readings_of(folder) as store:
        assert store.count("larkspur") == 1800
