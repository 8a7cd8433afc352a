"""One process of an installation: the parts it runs, started in order, watched, and ended in the reverse order."""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from api.http.security import is_loopback
from api.process.parts import Part, Startable
from api.process.services import Services, open_services, require_door
from api.process.workers import workers_of
from collector.config.settings import Installation, load_installation
from collector.share import WHOLE, Share
from forecaster.domain.errors import ConfigError, OutlastError
from forecaster.domain.ports import Clock

if TYPE_CHECKING:
    from collector.mqtt.embedded import EmbeddedBroker

log = logging.getLogger("outlast")

WATCH_S = 2.0
WATCH_SHARE = 0.005
"""Share of a processor that looking for changed site files may take: with thousands it is done less often."""
GRACE_S = 3
DRAIN_S = 1.0
"""How long the end waits for what the embedded broker has taken to be stored."""


@dataclass(slots=True)
class Running:
    """The workers over one reading of the site files."""

    workers: list[Startable]

    def start(self) -> None:
        """Start all."""
        for worker in self.workers:
            worker.start()

    def stop(self, before_collecting_ends: Callable[[], None] | None = None) -> None:
        """Stop all at once: each finishes what it has in hand.

        before_collecting_ends : called when all others have ended, while the collector still stores what comes
        """
        from collector.collector import Collector

        last = [w for w in self.workers if isinstance(w, Collector) and before_collecting_ends is not None]
        self._end([worker for worker in self.workers if worker not in last])
        if before_collecting_ends is not None:
            before_collecting_ends()
        self._end(last)

    @staticmethod
    def _end(workers: Iterable[Startable]) -> None:
        stopping = [threading.Thread(target=worker.stop, name="stopping") for worker in workers]
        for thread in stopping:
            thread.start()
        for thread in stopping:
            thread.join()


class Process:
    """Runs some parts of an installation until it is told to end.

    clock : Clock — the demo gives one that runs fast
    """

    def __init__(self, installation: Installation, parts: frozenset[Part], clock: Clock, share: Share = WHOLE) -> None:
        self.parts, self.share, self.clock = parts, share, clock
        self._broker: EmbeddedBroker | None = None
        if installation.broker.embedded and Part.COLLECT in parts:
            self._broker = _broker_of(installation)
        self.services: Services = open_services(
            installation, clock, owner=Part.COLLECT in parts, role=share.named("-".join(sorted(parts)))
        )
        self._running = Running([])
        self._ending = threading.Event()
        self._failed = False
        self._seen = signature(installation.folder / "sites")
        self._watcher = threading.Thread(target=self._watch, name="watcher", daemon=True)

    # -- life
    def start(self) -> None:
        """Start broker and workers. OutlastError, and nothing runs, where one cannot start."""
        try:
            if Part.SERVE in self.parts:
                require_door(self.services)
            if self._broker is not None:
                self._broker.start()
            self._start_workers()
        except OutlastError:
            self.close()
            raise
        self._watcher.start()

    def run(self) -> int:
        """Start, serve until SIGTERM or SIGINT, end. Exit code: 0, or 1 where a worker died."""
        handlers = {s: signal.signal(s, self._on_signal) for s in (signal.SIGTERM, signal.SIGINT)}
        try:
            self.start()
            if Part.SERVE in self.parts:
                self._serve()
            else:
                self._ending.wait()
        finally:
            self.close()
            for number, handler in handlers.items():
                signal.signal(number, handler)
        return 1 if self._failed else 0

    def end(self) -> None:
        """Ask it to end; from any thread or a signal handler."""
        self._ending.set()
        self.services.hub.close()

    def close(self) -> None:
        """End everything that runs."""
        self.end()
        if self._watcher.is_alive():
            self._watcher.join(10.0)
        self._running.stop(None if self._broker is None else self._drain)
        if self._broker is not None:
            self._broker.stop()
        self.services.close()

    def _drain(self) -> None:
        """What the embedded broker has taken is stored before it ends; the couriers have said their last word to it."""
        if self._broker is not None and not self._broker.drain(DRAIN_S):
            log.warning("the embedded broker still held messages at the end; what it took last may be lost")

    def _on_signal(self, _number: int, _frame: FrameType | None) -> None:
        self.end()

    def _serve(self) -> None:
        import uvicorn

        from api.http.app import create_app

        http = self.services.installation.http
        config = uvicorn.Config(
            create_app(self.services), host=http.host, port=http.port, log_level="warning", access_log=False,
            timeout_graceful_shutdown=GRACE_S, lifespan="off", server_header=False, ws="none",
        )  # fmt: skip
        end = self.end

        class Server(uvicorn.Server):
            """Ends the event streams first: an open one would hold up the end."""

            def handle_exit(self, sig: int, frame: FrameType | None) -> None:
                end()
                super().handle_exit(sig, frame)

        server = Server(config)

        def follow() -> None:
            self._ending.wait()
            server.should_exit = True

        closing = threading.Thread(target=follow, name="closing", daemon=True)
        closing.start()
        server.run()
        self.end()
        closing.join(5.0)

    # -- workers
    def _start_workers(self) -> None:
        self._running = Running(workers_of(self.services, self.parts, self.share))
        self.services.workers = list(self._running.workers)
        self._running.start()

    def _watch(self) -> None:
        """Take up changed site files; end the process where a worker has died, for a supervisor to start anew."""
        rest_s = WATCH_S
        while not self._ending.wait(rest_s):
            dead = [worker for worker in self._running.workers if not worker.alive()]
            if dead:
                log.error("a worker has ended by itself: %s", ", ".join(type(worker).__name__ for worker in dead))
                self._failed = True
                self.end()
                return
            began = time.thread_time()
            seen = signature(self.services.installation.folder / "sites")
            rest_s = max(WATCH_S, (time.thread_time() - began) / WATCH_SHARE)
            if seen != self._seen:
                self._seen = seen
                self._reload()

    def _reload(self) -> None:
        folder = self.services.installation.folder
        try:
            fresh = load_installation(folder)
        except OutlastError as error:
            log.error("the changed site files are not taken: %s", error)
            return
        log.warning("site files changed: %s", ", ".join(fresh.sites) or "none left")
        self._running.stop()
        self.services.installation = replace(self.services.installation, sites=fresh.sites)
        try:
            self._start_workers()
        except OutlastError as error:
            log.error("the workers cannot start again: %s", error)
            self._failed = True
            self.end()


def signature(folder: Path) -> tuple[tuple[str, int, int], ...]:
    """Name, size and time of change of every site file: differs when any of them changed."""
    return tuple(sorted(_facts(folder)))


def _facts(folder: Path) -> Iterator[tuple[str, int, int]]:
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name.endswith(".toml"):
                    with suppress(FileNotFoundError):  # gone since the folder was read
                        status = entry.stat()
                        yield entry.name, status.st_size, status.st_mtime_ns
    except FileNotFoundError:
        return


def _broker_of(installation: Installation) -> EmbeddedBroker:
    """The embedded broker. ConfigError where others could publish to it without a password."""
    from collector.mqtt.embedded import EmbeddedBroker

    broker = installation.broker
    if not is_loopback(broker.listen_host) and (broker.user is None or not broker.password()):
        raise ConfigError(
            "outlast.toml", "broker.listen_host", f"anybody who reaches {broker.listen_host} could send readings",
            "set broker.username and broker.password_file, or listen on 127.0.0.1 alone",
        )  # fmt: skip
    return EmbeddedBroker(broker.listen_host, broker.listen_port, broker.user, broker.password())
