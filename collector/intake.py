"""From queue to store: take what is there, decode, commit, acknowledge, repeat. It never waits for a count.

To spare the disk, the first message of a commit may wait a set time for others.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

from collector.backoff import Backoff
from collector.clock import ClockWatch, clock_note, forget_other_shares
from collector.decode.payload import KEPT_BYTES, Decoded, Decoder
from collector.guard.guard import ChannelGuard
from collector.guard.notes import ChannelNotes, keep_channels
from collector.mqtt.wire import Arrived, acknowledge
from forecaster.domain.errors import StoreRefused, StoreUnavailable
from forecaster.domain.leases import always
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.readings import Reading, Refusal
from forecaster.domain.records import HeldMessage
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.intake")

T = TypeVar("T")

BATCH = 2000
"""Most messages in one commit."""

QUEUE = 100_000
"""Length of the queue. The broker's window bounds messages with QoS 1; others beyond it are dropped and counted."""

QUEUE_BYTES = 64 << 20
"""Bytes of payloads that may wait here. Beyond, a connection is opened anew and the broker keeps what is left."""

IDLE_S = 0.25
LOOK_S = 1.0
RETRY_S = (0.1, 2.0)
HELD_BATCH = 1000
SAFE_TIMES_MS = (946_684_800_000, 32_503_680_000_000)

DECODER_FAULTS = (
    ArithmeticError, AssertionError, AttributeError, LookupError, MemoryError, RuntimeError, TypeError, ValueError,
)  # fmt: skip
"""What an unexpected fault in decoding may raise: the message is quarantined, and the others are not delayed."""


class Writes(Protocol):
    """What stores readings: a store, or what gathers those of several collectors for it."""

    def append(self, readings: Sequence[Reading], /) -> int:
        """Store readings, durable on return; see `ReadingStore`."""
        ...


@dataclass(slots=True)
class IntakeCounts:
    """Counts since the start: messages taken, readings stored (new or changed), messages refused, messages dropped."""

    messages: int = 0
    readings: int = 0
    refusals: int = 0
    dropped: int = 0
    commits: int = 0
    last_known: int = 0


class Intake:
    """The one writer: a thread between the session's queue and the store.

    on_commit : called after every commit that changed something
    window_s : float — how long the first message of a commit waits for others [s]
    share : str — this collector's share of the sites; "" where it has all of them
    guard : ChannelGuard | None — decides which readings are samples; None lets all of them through
    leased : tells whether these sites are still this collector's; nothing is stored while they may be another's
    """

    def __init__(
        self,
        decoder: Decoder,
        store: Writes,
        ledger: Ledger,
        clock: Clock,
        watch: ClockWatch | None,
        on_commit: Callable[[], None],
        window_s: float = 0.0,
        share: str = "",
        guard: ChannelGuard | None = None,
        leased: Callable[[], bool] = always,
    ) -> None:
        self._leased = leased
        self._guard = guard
        self._channel_notes = None if guard is None else ChannelNotes(guard)
        self._decoder, self._store, self._ledger, self._clock = decoder, store, ledger, clock
        self._watch, self._on_commit, self._window_s, self._share = watch, on_commit, window_s, share
        self._queue: queue.SimpleQueue[Arrived] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._looked_s = float("-inf")
        self._noted: str | None = None
        self._holds = False
        self._thread = threading.Thread(target=self._work, name="intake", daemon=True)
        self._put_bytes = self._done_bytes = 0
        self.counts = IntakeCounts()
        self.turns = 0
        self.trouble: str | None = None
        self.last_message_s: float | None = None

    # -- from other threads

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """Finish the commit in hand and one more. The broker sends again what has not been acknowledged."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(30.0)

    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def waiting(self) -> int:
        """Messages in the queue."""
        return self._queue.qsize()

    def put(self, message: Arrived) -> bool:
        """Enqueue; called on the network thread. False where it is not taken and the broker has to send it again."""
        self.last_message_s = message.monotonic_s
        waiting = self._put_bytes - self._done_bytes
        full = waiting > 0 and waiting + len(message.payload) > QUEUE_BYTES
        if message.mid is None and (full or self._queue.qsize() >= QUEUE):
            self.counts.dropped += 1
            return True
        if full:
            return False
        self._put_bytes += len(message.payload)
        self._queue.put(message)
        return True

    # -- the thread

    def _work(self) -> None:
        self.resume()
        while not self._stop.is_set():
            self.turns += 1
            self.tend()
            self.note_channels()
            batch = self._take()
            if batch:
                self.handle(batch)
                self._done_bytes += sum(len(message.payload) for message in batch)
        batch = self._at_hand()
        if batch:
            self.handle(batch)

    def resume(self) -> None:
        """Take up the messages that were held before the program's start."""
        self._holds = bool(self._persist(lambda: self._ledger.held(1, self._share)))
        self._durably(lambda: forget_other_shares(self._ledger, self._share))

    def _take(self) -> list[Arrived]:
        """The next batch: waits a moment for the first message, and the window for the others."""
        try:
            batch = [self._queue.get(timeout=IDLE_S)]
        except queue.Empty:
            return []
        if self._window_s:
            self._gather(batch)
        return self._at_hand(batch)

    def _at_hand(self, begun: Sequence[Arrived] = ()) -> list[Arrived]:
        """The batch filled up with the messages that are in the queue."""
        batch = list(begun)
        with contextlib.suppress(queue.Empty):
            while len(batch) < BATCH:
                batch.append(self._queue.get_nowait())
        return batch

    def _gather(self, batch: list[Arrived]) -> None:
        """Add the messages that come within the window; ends early where the batch is full or the intake shall stop."""
        until_s = time.monotonic() + self._window_s
        while len(batch) < BATCH and not self._stop.is_set() and (left_s := until_s - time.monotonic()) > 0.0:
            with contextlib.suppress(queue.Empty):
                batch.append(self._queue.get(timeout=min(IDLE_S, left_s)))

    def handle(self, batch: Sequence[Arrived]) -> None:
        """Store a batch durably, then acknowledge it. When asked to stop, it returns without acknowledging."""
        while not self._leased():
            self.turns += 1
            if self._stop.wait(IDLE_S):
                return
        if self._watch is not None and self._watch.moved():
            self._watch.look()
        if self._watch is not None and self._watch.holding:
            done = self._hold(batch)
        else:
            now_ms, now_s = self._clock.now_ms(), self._clock.monotonic_s()
            done = self._commit(
                [
                    self._decode(m.topic, m.payload, now_ms - round((now_s - m.monotonic_s) * 1000), m.retained)
                    for m in batch
                ]
            )
        if done:
            self.counts.messages += len(batch)
            acknowledge(batch)

    def _decode(self, topic: str, payload: bytes, arrived_ms: int, retained: bool) -> Decoded:
        try:
            decoded = self._decoder.decode(topic, payload, arrived_ms, retained)
            return decoded if self._guard is None else self._guard.admit(topic, payload, decoded)
        except DECODER_FAULTS as error:
            log.exception("a fault in decoding a message of %s", topic)
            reason = words()("payload.a_fault_in_decoding_the_message", name=type(error).__name__, error=str(error))
            return Decoded(refusals=(Refusal(None, topic, payload[:KEPT_BYTES], arrived_ms, _one_line(reason)),))

    def _commit(self, decoded: Sequence[Decoded]) -> bool:
        readings = [reading for one in decoded for reading in one.readings]
        refusals = [refusal for one in decoded for refusal in one.refusals]
        if readings:
            changed = self._append(readings, refusals)
            if changed is None:
                return False
            self.counts.readings += changed
            self.counts.commits += 1
            if self._watch is not None:
                self._watch.stored(max(reading.arrived_ms for reading in readings))
        if refusals and not self._durably(lambda: self._quarantine(refusals)):
            return False
        self.counts.refusals += len(refusals)
        self.counts.last_known += sum(len(one.last_known) for one in decoded)
        if readings or refusals:
            self._on_commit()
        return True

    def _append(self, readings: Sequence[Reading], refusals: list[Refusal]) -> int | None:
        """Store readings. Those that the store refuses are found by halving, and quarantined. None when stopped."""
        try:
            return self._persist(lambda: self._store.append(readings))
        except StoreRefused as error:
            if len(readings) == 1:
                r = readings[0]
                body = f"{r.quantity.value} {r.value!r} at {r.time_ms}".encode()
                refusals.append(
                    Refusal(
                        r.site, "", body, r.arrived_ms, words()("payload.the_store_refuses_it", reason=error.reason)
                    )
                )
                return 0
        half = len(readings) // 2
        first = self._append(readings[:half], refusals)
        second = self._append(readings[half:], refusals) if first is not None else None
        return None if first is None or second is None else first + second

    def _quarantine(self, refusals: Sequence[Refusal]) -> None:
        try:
            self._ledger.quarantine(refusals)
        except StoreRefused:
            self._ledger.quarantine([_plain(refusal) for refusal in refusals])

    def _persist(self, work: Callable[[], T]) -> T | None:
        """Run an operation, and repeat it while the store is unavailable. None when asked to stop meanwhile."""
        backoff = Backoff(*RETRY_S, "intake")
        while True:
            self.turns += 1
            try:
                result = work()
            except StoreUnavailable as error:
                if self.trouble != error.reason:
                    log.error("nothing can be stored: %s; the broker keeps what comes", error.reason)
                self.trouble = error.reason
                if self._stop.wait(backoff.fail()):
                    return None
            else:
                self.trouble = None
                return result

    def _durably(self, work: Callable[[], None]) -> bool:
        """`_persist` for an operation without a result. Returns whether it was done."""

        def done() -> bool:
            work()
            return True

        return self._persist(done) is not None

    # -- while the clock is not believed

    def _hold(self, batch: Sequence[Arrived]) -> bool:
        assert self._watch is not None
        boot = self._watch.boot
        held = [
            HeldMessage(boot, m.monotonic_s, m.topic, m.payload, m.retained, owner=self._share)
            for m in batch
            if self._decoder.claims(m.topic)
        ]
        self._holds = self._holds or bool(held)
        return self._durably(lambda: self._ledger.hold(held))

    def tend(self) -> None:
        """Judge the clock now and then. Once it is believed, stamp and store the held messages."""
        now_s = self._clock.monotonic_s()
        if self._watch is None or now_s - self._looked_s < LOOK_S:
            return
        self._looked_s = now_s
        self._watch.look()
        reason = self._watch.reason or ""
        if reason != self._noted:
            if reason:
                log.warning("%s; messages without a time of their own wait for it", reason)
            self._durably(lambda: self._ledger.note(clock_note(self._share), reason))
            self._noted = reason
        while self._holds and not self._watch.holding and not self._stop.is_set():
            self._release()

    def note_channels(self) -> None:
        """Save the facts of the channels: soon after they change, and every few minutes."""
        due = {} if self._channel_notes is None else self._channel_notes.due(self._clock.monotonic_s())
        if due:
            self._durably(lambda: keep_channels(self._ledger, due))

    def _release(self) -> None:
        held = self._persist(lambda: self._ledger.held(HELD_BATCH, self._share))
        if held is None:
            return
        if not held:
            self._holds = False
            return
        if self._commit([self._restamped(message) for message in held]):
            last = held[-1].id
            self._durably(lambda: self._ledger.release(last, self._share))

    def _restamped(self, message: HeldMessage) -> Decoded:
        """Decode a held message with the arrival from its monotonic stamp, if that is of this start of the machine."""
        assert self._watch is not None
        now_ms, now_s = self._clock.now_ms(), self._clock.monotonic_s()
        if message.boot == self._watch.boot and message.monotonic_s <= now_s:
            arrived_ms = now_ms - round((now_s - message.monotonic_s) * 1000)
            return self._decode(message.topic, message.payload, arrived_ms, message.retained)
        found = self._decode(message.topic, message.payload, now_ms, True)
        lost = tuple(
            Refusal(
                r.site, message.topic, message.payload[:KEPT_BYTES], now_ms,
                words()("payload.it_came_while_the_clock_was"),
            )
            for r in found.last_known
            if not message.retained
        )  # fmt: skip
        return Decoded(found.readings, (*found.refusals, *lost))


def _one_line(text: str) -> str:
    return " ".join(text.split())[:500]


def _plain(refusal: Refusal) -> Refusal:
    """A refusal without characters that some databases cannot store."""
    return Refusal(
        refusal.site,
        ascii(refusal.topic),
        refusal.payload,
        min(max(refusal.arrived_ms, SAFE_TIMES_MS[0]), SAFE_TIMES_MS[1]),
        ascii(refusal.reason),
    )
