"""Listens to the broker while somebody fills in the set-up form, and ends by itself when nobody looks any more."""

from __future__ import annotations

import threading
import time

from collector.config.settings import Broker
from collector.decode.discovery import Discovery, TopicHeard
from collector.mqtt.listening import listen
from forecaster.domain.errors import OutlastError

IDLE_S = 90.0
"""For so long after the last look it is listened on."""
ANEW_S = 0.5
"""For so long what was made of the values is told again: many browsers cost no more than one."""
LONGEST_S = 1800.0
"""Most at a stretch, also while somebody looks: `#` may be much."""


class BrokerWatch:
    """What the broker carries, as heard since somebody asked. Methods may be called from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._heard = Discovery()
        self._asked: tuple[Broker, str] | None = None
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._looked_s = time.monotonic()
        self._problem: OutlastError | None = None
        self._making = threading.Lock()
        self._told: tuple[Discovery, float, tuple[TopicHeard, ...]] | None = None

    def begin(self, broker: Broker, topic_filter: str, listen_s: float) -> None:
        """Listen, and return after a while. What was heard through the same filter before is kept.

        listen_s : float — for how long this waits [s]; it is listened on behind it
        Errors: SessionError where the broker cannot be reached; ConfigError for secrets.
        """
        self._looked_s = time.monotonic()
        with self._lock:
            if self._asked != (broker, topic_filter):
                self._end()
                self._heard, self._asked = Discovery(), (broker, topic_filter)
            if not self.listening:
                self._stop, self._problem = threading.Event(), None
                self._thread = threading.Thread(
                    target=self._listen, args=(broker, topic_filter, self._heard, self._stop), daemon=True
                )
                self._thread.start()
            thread = self._thread
        if thread is not None:
            thread.join(listen_s)
        if self._problem is not None:
            raise self._problem

    @property
    def listening(self) -> bool:
        """Whether it is listened to the broker at present."""
        return self._thread is not None and self._thread.is_alive()

    def topics(self) -> tuple[TopicHeard, ...]:
        """What was heard so far, by topic, no older than a moment; whoever asks keeps it listening."""
        self._looked_s = time.monotonic()
        with self._making:
            heard = self._heard
            if self._told is None or self._told[0] is not heard or time.monotonic() - self._told[1] >= ANEW_S:
                self._told = (heard, time.monotonic(), heard.topics())
            return self._told[2]

    def close(self) -> None:
        """Listen no more."""
        with self._lock:
            self._end()

    def _end(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def _listen(self, broker: Broker, topic_filter: str, heard: Discovery, stop: threading.Event) -> None:
        def over() -> bool:
            return stop.is_set() or time.monotonic() - self._looked_s > IDLE_S

        try:
            listen(broker, [topic_filter], LONGEST_S, heard.hear, over)
        except OutlastError as error:
            self._problem = error
