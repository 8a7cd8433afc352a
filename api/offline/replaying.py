"""A recorded log folded as it was received: forecasts at the times asked, from only the messages up to each."""

from __future__ import annotations

import contextlib
import heapq
from collections.abc import Iterable, Iterator, Sequence

from collector.decode.log import LoggedMessage
from collector.decode.payload import Decoder
from collector.guard.guard import ChannelGuard
from forecaster.domain.errors import FitError, UsageError
from forecaster.domain.forecast import Forecast
from forecaster.domain.site import Site
from forecaster.engine import Engine
from forecaster.engine.document import time_text
from forecaster.engine.doubts import doubted
from forecaster.texts.catalogue import Said

DISORDER_MS = 300_000
"""How far a log may step back in time [ms]; such messages are put in order."""


def in_order(messages: Iterable[LoggedMessage]) -> Iterator[LoggedMessage]:
    """Messages by time, those of equal time as logged. UsageError where the log steps back too far."""
    held: list[tuple[int, int, LoggedMessage]] = []
    newest = done = None
    for count, message in enumerate(messages):
        at = message.tst_ms
        if newest is not None and done is not None and at < done:
            raise UsageError(
                Said("usage.the_log_steps_back_from_to", time_text=time_text(newest), time_text_2=time_text(at)),
                Said("usage.sort_its_lines_by_tst_or"),
            )
        if newest is None or at >= newest:
            newest = at
        heapq.heappush(held, (at, count, message))
        while held and held[0][0] < newest - DISORDER_MS:
            done = held[0][0]
            yield heapq.heappop(held)[2]
    while held:
        yield heapq.heappop(held)[2]


class Replay:
    """Folds a log through the engine of one site; `at` and `every_ms` as in `outlast replay`."""

    def __init__(self, site: Site, *, at: Sequence[int] = (), every_ms: int | None = None, seed: int = 0) -> None:
        self.engine = Engine(site, seed=seed)
        self._decoder, self._guard = Decoder([site]), ChannelGuard([site])
        self._asked = sorted(set(at))
        self._every_ms = every_ms
        self._next_ms: int | None = None
        self._only_end = not at and every_ms is None
        self.messages = self.readings = self.refused = 0

    def forecasts(self, messages: Iterable[LoggedMessage]) -> Iterator[Forecast]:
        """One forecast for each time asked for, in order; without such times, one at the end of the log."""
        last_ms: int | None = None
        for message in in_order(messages):
            if last_ms is None and self._every_ms is not None:
                self._next_ms = -(-message.tst_ms // self._every_ms) * self._every_ms
            last_ms = message.tst_ms
            for at_ms in self._due_before(last_ms):
                yield self._forecast(at_ms)
            self._take(message)
            self._refit(message.tst_ms)
        if last_ms is None:
            raise UsageError(Said("usage.the_log_holds_no_message"), Said("usage.name_a_log_as_mosquitto_sub"))
        yield from (self._forecast(at_ms) for at_ms in self._rest(last_ms))

    def _forecast(self, at_ms: int) -> Forecast:
        channels = self._guard.facts().get(self.engine.site.id, [])
        return doubted(self.engine.forecast(at_ms), channels)

    def _take(self, message: LoggedMessage) -> None:
        self.messages += 1
        found = self._decoder.decode(message.topic, message.payload, message.tst_ms, message.retained)
        decoded = self._guard.admit(message.topic, message.payload, found)
        self.refused += len(decoded.refusals)
        for reading in decoded.readings:
            self.readings += 1
            self.engine.update(reading)

    def _refit(self, now_ms: int) -> None:
        """Refit the models when it is due by the log's time, as the service does."""
        if self.engine.untuned(now_ms) < 1.0:
            return
        with contextlib.suppress(FitError):  # the models go on as they are
            self.engine.refit(now_ms)

    def _due_before(self, now_ms: int) -> Iterator[int]:
        """The times asked for that lie before a message."""
        while True:
            found = [t for t in (self._asked[0] if self._asked else None, self._next_ms) if t is not None]
            if not found or min(found) >= now_ms:
                return
            at_ms = min(found)
            self._strike(at_ms)
            yield at_ms

    def _strike(self, at_ms: int) -> None:
        if self._asked and self._asked[0] == at_ms:
            del self._asked[0]
        if self._next_ms == at_ms and self._every_ms is not None:
            self._next_ms += self._every_ms

    def _rest(self, last_ms: int) -> Iterator[int]:
        """The times asked for at or after the end of the log."""
        if self._only_end:
            yield last_ms
            return
        if self._next_ms is not None and self._next_ms == last_ms:
            self._asked = sorted({*self._asked, last_ms})
        yield from self._asked
