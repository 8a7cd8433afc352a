"""A broker inside this process: for the demo, and for a house that has none. MQTT 3.1.1, some thousand messages/s."""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
import time
from typing import TYPE_CHECKING

from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import words

if TYPE_CHECKING:
    from collector.mqtt.embedded_sessions import SessionBroker

log = logging.getLogger("outlast.broker")

SESSION_EXPIRY_S = 14 * 86_400
START_S = 15.0
DRAIN_LOOK_S = 0.01


def free_port(host: str = "127.0.0.1") -> int:
    """A port that nobody listens on at the moment."""
    with socket.socket() as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


class EmbeddedBroker:
    """An amqtt broker on its own thread and event loop. start() returns when it listens, stop() when it has ended.

    user, password : who may connect; None: anybody. Messages are kept in memory: they survive clients, not the process.
    """

    def __init__(self, host: str, port: int, user: str | None = None, password: str | None = None) -> None:
        self.host, self.port = host, port
        self._user, self._password = user, password
        self._broker: SessionBroker | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ending: asyncio.Event | None = None
        self._listening = threading.Event()
        self._problem: str | None = None
        self._thread = threading.Thread(target=self._work, name="broker", daemon=True)

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"mqtt://{self.host}:{self.port}"

    def start(self) -> None:
        """Listen. ConfigError where the address is taken or amqtt is not installed."""
        self._thread.start()
        self._listening.wait(START_S)
        if self._problem is not None or not self._listening.is_set():
            problem = self._problem or words()(
                "broker.it_did_not_listen_on_within", host=self.host, port=self.port, start_s=START_S
            )
            fix = words()("broker.choose_another_broker_listen_port_or")
            raise ConfigError("outlast.toml", "broker.url", problem, fix)

    def drain(self, within_s: float) -> bool:
        """Accept no more messages, and wait until the accepted ones are delivered. Returns whether they were."""
        if self._loop is None or self._broker is None or not self._thread.is_alive():
            return True
        return asyncio.run_coroutine_threadsafe(_drained(self._broker, within_s), self._loop).result()

    def stop(self) -> None:
        """Disconnect the clients and close the port."""
        if self._loop is not None and self._ending is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._ending.set)
            self._thread.join(10.0)

    def _work(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._loop, self._ending = asyncio.get_running_loop(), asyncio.Event()
        try:
            from amqtt.errors import BrokerError

            from collector.mqtt.embedded_sessions import SessionBroker
        except ImportError:
            self._problem = words()("broker.the_embedded_broker_needs_amqtt_pip")
            self._listening.set()
            return
        for name in ("amqtt", "transitions.core"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        broker = self._broker = SessionBroker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{self.host}:{self.port}"}},
                "session_expiry_interval": SESSION_EXPIRY_S,
                "plugins": {},
            },
            self._user,
            self._password,
            self.host,
        )
        try:
            await broker.start()
        except (BrokerError, OSError) as error:
            self._problem = words()(
                "broker.the_embedded_broker_cannot_listen_on", host=self.host, port=self.port, error=str(error)
            )
            self._listening.set()
            return
        self._listening.set()
        await self._ending.wait()
        await broker.shutdown()


async def _drained(broker: SessionBroker, within_s: float) -> bool:
    broker.closing = True
    until_s = time.monotonic() + within_s
    while not broker.idle():
        if time.monotonic() >= until_s:
            return False
        await asyncio.sleep(DRAIN_LOOK_S)
    return True
