"""One thread a channel: take what is due from the outbox, coalesce, send, settle. A crash between sending and settling
sends again with the same key: at least once, and once only for a receiver that honours the key."""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

import msgspec

from api.deliver.backoff import next_attempt_s
from api.deliver.failing import FaultBook
from api.deliver.outcome import Later, Never, Outcome, Sent
from forecaster.alarms.plan import PUSH, AlarmMessage, coalesce, still_wanted
from forecaster.domain.alarms import Priority
from forecaster.domain.errors import NotFound, OutlastError, StoreError
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import Delivery

log = logging.getLogger("outlast.deliver")

POLL_S = 1.0
TROUBLE_S = 5.0
BATCH = 50
FORGET_S = 60.0
GONE_MS = 24 * 3_600_000


def anybody(receiver: str) -> bool:
    """Every receiver counts as configured."""
    return bool(receiver)


class Carrier(Protocol):
    """Knows how to bring one message to one receiver over one channel. Never raises for what a receiver does."""

    channel: str

    def send(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        """One attempt, bounded in time."""
        ...

    def tick(self) -> None:
        """Called about once a second by the courier's thread, for what is not a delivery."""
        ...

    def close(self) -> None:
        """Let go of connections."""
        ...


class Courier:
    """The thread of one channel. start(), stop(); wake() when the outbox has news.

    known : whether a receiver is configured now; of one that is not, no fault is kept
    """

    def __init__(
        self,
        carrier: Carrier,
        ledger: Ledger,
        clock: Clock,
        rng: random.Random,
        known: Callable[[str], bool] = anybody,
    ) -> None:
        self.carrier = carrier
        self.channel = carrier.channel
        self.faults = FaultBook(ledger, carrier.channel)
        self._ledger, self._clock, self._rng, self._known = ledger, clock, rng, known
        self._forgot_s: float | None = None
        self._stirred, self._ending = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._work, name=f"courier-{self.channel}", daemon=True)
        self.sent = 0
        self.failed = 0
        self.gave_up = 0
        self.trouble: str | None = None

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def wake(self) -> None:
        """There may be something due; from any thread."""
        self._stirred.set()

    def end(self) -> None:
        """Ask it to end, and do not wait."""
        self._ending.set()
        self._stirred.set()

    def stop(self, timeout_s: float = 20.0) -> None:
        """Finish the attempt under way and end the thread."""
        self.end()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)

    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def _work(self) -> None:
        while not self._ending.is_set():
            self._stirred.clear()
            pause_s = POLL_S
            try:
                self.carrier.tick()
                self._forget()
                if self.turn():
                    pause_s = 0.0
                self.trouble = None
            except StoreError as error:
                if self.trouble is None:
                    log.warning("courier %s waits for the ledger: %s", self.channel, error)
                self.trouble, pause_s = str(error), TROUBLE_S
            except (OutlastError, OSError, ValueError, LookupError, TypeError, AttributeError, RuntimeError) as error:
                log.exception("courier %s: %s", self.channel, type(error).__name__)
                self.trouble, pause_s = f"{type(error).__name__}; see the log", TROUBLE_S
            if pause_s:
                self._stirred.wait(pause_s)
        self.carrier.close()

    def _forget(self) -> None:
        """Now and then, faults of receivers that have left; of a browser that has gone people are told for a day."""
        now_s = time.monotonic()
        if self._forgot_s is not None and now_s - self._forgot_s < FORGET_S:
            return
        self._forgot_s = now_s
        edge_ms = self._clock.now_ms() - (GONE_MS if self.channel == PUSH else 0)
        faults = self.faults.standing()
        self.faults.forget(who for who, fault in faults.items() if fault.since_ms <= edge_ms and not self._known(who))

    def turn(self) -> bool:
        """Carry what is due now. True when there may be more."""
        due = self._ledger.due(self.channel, self._clock.now_ms(), BATCH)
        batch = coalesce(due)
        for delivery in batch.needless:
            self._settle(replace(delivery, done_ms=self._clock.now_ms(), last_error="a newer one took its place"))
        for delivery in batch.send:
            if self._ending.is_set():
                return False
            self._carry(delivery)
        return len(due) >= BATCH

    def _carry(self, delivery: Delivery) -> None:
        now = self._clock.now_ms()
        try:
            message = AlarmMessage.decode(delivery.body)
        except msgspec.DecodeError as error:
            self._give_up(delivery, f"its body cannot be read: {error}")
            return
        if not self._wanted(message):
            self._settle(replace(delivery, done_ms=now, last_error="acknowledged or over before its time"))
            return
        if now >= delivery.expires_ms:
            self._give_up(delivery, delivery.last_error or "expired before it could be sent")
            return
        known, started = self._known(delivery.receiver), time.monotonic()
        outcome = self.carrier.send(delivery, message)
        log.debug("%s %s: %s in %.2f s", self.channel, delivery.key, type(outcome).__name__, time.monotonic() - started)
        self._conclude(delivery, message, outcome, known=known)

    def _wanted(self, message: AlarmMessage) -> bool:
        if message.test:
            return True
        try:
            return still_wanted(message, self._ledger.alarm(message.alarm.id))
        except NotFound:
            return True

    def _conclude(self, delivery: Delivery, message: AlarmMessage, outcome: Outcome, *, known: bool) -> None:
        now, attempts = self._clock.now_ms(), delivery.attempts + 1
        match outcome:
            case Sent():
                self.sent += 1
                self._settle(replace(delivery, attempts=attempts, done_ms=now, last_error=None))
                self.faults.reached(delivery.receiver)
            case Later(error, after_s):
                self.failed += 1
                critical = message.alarm.priority is Priority.CRITICAL
                pause_s = next_attempt_s(attempts, self._rng, critical=critical, asked_s=after_s)
                due_ms = now + int(pause_s * 1000.0)
                self._settle(replace(delivery, attempts=attempts, due_ms=due_ms, last_error=error))
                if known:
                    self.faults.failed(delivery.receiver, delivery.site, error, now)
                log.warning("%s to be tried again in %.0f s: %s", self.channel, pause_s, error)
            case Never(error):
                self._give_up(replace(delivery, attempts=attempts), error, known=known)

    def _give_up(self, delivery: Delivery, error: str, *, known: bool = True) -> None:
        now = self._clock.now_ms()
        self.gave_up += 1
        self._settle(replace(delivery, done_ms=now, gave_up=True, last_error=error))
        if known:
            self.faults.failed(delivery.receiver, delivery.site, error, now)
        log.error("%s given up for %s: %s", self.channel, delivery.key, error)

    def _settle(self, delivery: Delivery) -> None:
        self._ledger.settle(delivery)
