"""The courier of one channel: takes due deliveries from the outbox, merges them, sends several at a time, settles them.

Each receiver has a lane of its own, so that a receiver that hangs delays nobody else. After a crash between sending
and settling, a delivery is sent again with the same key: at least once, and exactly once to receivers that use the key.
"""

from __future__ import annotations

import logging
import random
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from typing import Protocol

import msgspec

from api.deliver.backoff import next_attempt_s
from api.deliver.failing import FaultBook
from api.deliver.lanes import Breaker, DueMessage, UnderWay, startable
from api.deliver.outcome import Later, Needless, Never, Outcome, Sent
from forecaster.alarms.plan import PUSH, AlarmMessage, coalesce, still_wanted
from forecaster.domain.alarms import Priority
from forecaster.domain.errors import NotFound, OutlastError, StaleLease, StoreError, StoreUnavailable
from forecaster.domain.leases import always
from forecaster.domain.names import marked
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import Delivery
from forecaster.domain.times import DAY_MS
from forecaster.live.looping import PATIENCE_S, LoopThread
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.deliver")

POLL_S = 1.0
LOOK_S = 0.25
"""How soon to look again while attempts are in progress [s]: a long one makes room for others."""
TROUBLE_S = 5.0
BATCH = 500
FORGET_S = 60.0
TRIES = 5
"""Attempts after which a message that fails in an unexpected way is set aside."""
LAST_S = 12.0
"""How long stopping waits for the attempts in progress [s]: longer than any of them may take."""
LONGEST_REASON = 300


def anybody(receiver: str) -> bool:
    """The default for `known`: every receiver counts as configured."""
    return bool(receiver)


class Carrier(Protocol):
    """Sends messages over one channel, one to one receiver at a time.

    lanes : int — how many attempts may be under way at a time; 1 for a hub behind one connection
    """

    channel: str
    lanes: int

    def host(self, receiver: str) -> str:
        """The host of a receiver, which the circuit breaker watches; "" where it is not watched."""
        ...

    def send(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        """Make one attempt, within a limited time."""
        ...

    def tick(self) -> None:
        """Called about once a second by the courier's thread, for work other than deliveries."""
        ...

    def close(self) -> None:
        """Close connections."""
        ...


@dataclass(frozen=True, slots=True)
class Attempt:
    """An attempt in progress."""

    delivery: Delivery
    message: AlarmMessage
    lane: UnderWay
    known: bool
    future: Future[Outcome]


class Courier(LoopThread):
    """The threads of one channel. start(), stop(); wake() when the outbox has news.

    known : tells whether a receiver is configured now; faults of others are not recorded
    leased : tells whether deliveries are still this process's, where they change hands; nothing is sent while they may
        be another's
    """

    def __init__(
        self,
        carrier: Carrier,
        ledger: Ledger,
        clock: Clock,
        rng: random.Random,
        known: Callable[[str], bool] = anybody,
        leased: Callable[[], bool] = always,
    ) -> None:
        super().__init__(f"courier-{carrier.channel}")
        self.carrier = carrier
        self.channel = carrier.channel
        self.faults = FaultBook(ledger, carrier.channel)
        self._ledger, self._clock, self._rng, self._known = ledger, clock, rng, known
        self._leased = leased
        self._forgot_s: float | None = None
        self._pool = ThreadPoolExecutor(carrier.lanes, thread_name_prefix=f"lane-{self.channel}")
        self._under_way: list[Attempt] = []
        self._breaker = Breaker()
        self.sent = 0
        self.failed = 0
        self.gave_up = 0
        self.trouble: str | None = None

    def stop(self, timeout_s: float = PATIENCE_S) -> None:
        """Finish the attempts under way and end the thread; waits at most so long [s]."""
        super().stop(timeout_s)
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _work(self) -> None:
        while not self._ending.is_set():
            self._woken.clear()
            pause_s = POLL_S
            try:
                self.carrier.tick()
                self._forget()
                self.step()
                pause_s = LOOK_S if self._under_way else POLL_S
                self.trouble = None
            except StoreError as error:
                if self.trouble is None:
                    log.warning("courier %s waits for the ledger: %s", self.channel, error)
                self.trouble, pause_s = str(error), TROUBLE_S
            except (OutlastError, OSError, ValueError, LookupError, TypeError, AttributeError, RuntimeError) as error:
                log.exception("courier %s: %s", self.channel, type(error).__name__)
                self.trouble, pause_s = words()("outcome.see_the_log", name=type(error).__name__), TROUBLE_S
            self._woken.wait(pause_s)
        self._last()
        self.carrier.close()

    def _last(self) -> None:
        """Settle the attempts in progress. One that cannot be settled is sent again later, with the same key."""
        wait([attempt.future for attempt in self._under_way], LAST_S)
        try:
            self._conclude()
        except StoreError as error:
            log.warning("courier %s ends with attempts that could not be settled: %s", self.channel, error)

    def _forget(self) -> None:
        """Now and then drop the faults of receivers that are no longer configured; of browsers only after a day."""
        now_s = time.monotonic()
        if self._forgot_s is not None and now_s - self._forgot_s < FORGET_S:
            return
        self._forgot_s = now_s
        edge_ms = self._clock.now_ms() - (DAY_MS if self.channel == PUSH else 0)
        faults = self.faults.standing()
        self.faults.forget(who for who, fault in faults.items() if fault.since_ms <= edge_ms and not self._known(who))

    def turn(self) -> None:
        """Send everything that is due now, and wait until all of it is settled."""
        self.step()
        while self._under_way:
            wait([attempt.future for attempt in self._under_way])
            self.step()

    def step(self) -> None:
        """Settle finished attempts, and start due deliveries in free lanes; wait only where there is a single lane."""
        self._conclude()
        due = self._readable(self._ledger.due(self.channel, self._clock.now_ms(), BATCH))
        batch = coalesce(due)
        for delivery in batch.needless:
            self._settle(
                replace(
                    delivery, done_ms=self._clock.now_ms(), last_error=words()("outcome.a_newer_one_took_its_place")
                )
            )
        waiting = {item.key: item for item in batch.send}
        while not self._ending.is_set():
            started = self._start_some(waiting)
            if not started or self.carrier.lanes > 1:
                return
            wait([attempt.future for attempt in self._under_way])
            self._conclude()

    def _readable(self, due: Sequence[Delivery]) -> list[Delivery]:
        """Deliveries that are due and not in progress. One whose body cannot be read is set aside."""
        busy = {attempt.delivery.key for attempt in self._under_way}
        found = []
        for delivery in due:
            if delivery.key in busy:
                continue
            try:
                AlarmMessage.decode(delivery.body)
            except msgspec.DecodeError as error:
                self._give_up(delivery, words()("outcome.its_body_cannot_be_read", error=str(error)))
            else:
                found.append(delivery)
        return found

    def _start_some(self, waiting: dict[str, Delivery]) -> bool:
        """Start the deliveries that the lanes allow and remove them from `waiting`. Returns whether any was started."""
        faults = self.faults.standing()
        alone = self.carrier.lanes == 1
        asked = [
            DueMessage(
                key=item.key,
                receiver="" if alone else item.receiver,
                host=self.carrier.host(item.receiver),
                grave=item.rank >= Priority.CRITICAL.rank,
                failing=item.receiver in faults,
                attempts=item.attempts,
                created_ms=item.created_ms,
            )
            for item in waiting.values()
        ]
        lanes = [attempt.lane for attempt in self._under_way]
        now_s = time.monotonic()
        chosen = startable(asked, lanes, self._breaker, now_s, self.carrier.lanes)
        for item in chosen:
            delivery = waiting.pop(item.key)
            if self._clock.now_ms() >= delivery.expires_ms:
                self._give_up(delivery, delivery.last_error or words()("outcome.expired_before_it_could_be_sent"))
                continue
            message = AlarmMessage.decode(delivery.body)
            known = self._known(delivery.receiver)
            future = self._pool.submit(self._attempt, delivery, message)
            lane = UnderWay(item.receiver, item.host, item.failing, now_s)
            self._under_way.append(Attempt(delivery, message, lane, known, future))
            future.add_done_callback(lambda _: self._woken.set())
        return bool(chosen)

    def _attempt(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        """Run in a lane: send the message, unless it is no longer wanted."""
        if not self._wanted(message):
            return Needless(words()("outcome.acknowledged_or_over_before_its_time"))
        if not self._leased():
            raise StaleLease((), words()("members.another_carries", names=words()("members.deliveries")))
        return self.carrier.send(delivery, message)

    def _wanted(self, message: AlarmMessage) -> bool:
        if message.test:
            return True
        try:
            return still_wanted(message, self._ledger.alarm(message.alarm.id))
        except NotFound:
            return True

    def _conclude(self) -> None:
        """Settle every finished attempt. One that cannot be settled now is tried again the next time."""
        for attempt in list(self._under_way):
            if attempt.future.done():
                self._conclude_one(attempt)
                self._under_way.remove(attempt)

    def _conclude_one(self, attempt: Attempt) -> None:
        delivery, message = attempt.delivery, attempt.message
        fault = attempt.future.exception()
        if isinstance(fault, StoreUnavailable):
            log.warning("courier %s waits for the ledger: %s", self.channel, fault)
            return
        if fault is not None:
            self._unforeseen(delivery, message, fault, known=attempt.known)
            return
        outcome = attempt.future.result()
        self._breaker.note(attempt.lane.host, answered=not (isinstance(outcome, Later) and outcome.unreachable))
        self._take(delivery, message, outcome, known=attempt.known)

    def _unforeseen(self, delivery: Delivery, message: AlarmMessage, fault: BaseException, *, known: bool) -> None:
        """Handle an unexpected error: this message is tried a few times and then set aside; others are not affected."""
        log.error("%s %s: %s", self.channel, delivery.key, type(fault).__name__, exc_info=fault)
        reason = words()("outcome.it_cannot_be_sent", name=type(fault).__name__)
        if delivery.attempts + 1 >= TRIES:
            outcome: Outcome = Never(words()("outcome.times_the_log_has_more", reason=reason, tries=TRIES))
        else:
            outcome = Later(reason)
        self._take(delivery, message, outcome, known=known)

    def _take(self, delivery: Delivery, message: AlarmMessage, outcome: Outcome, *, known: bool) -> None:
        now, attempts = self._clock.now_ms(), delivery.attempts + 1
        match outcome:
            case Sent():
                self._settle(replace(delivery, attempts=attempts, done_ms=now, last_error=None))
                self.sent += 1
                self.faults.reached(delivery.receiver)
            case Later(error, after_s):
                said = without_address(error, delivery.receiver)
                critical = message.alarm.priority is Priority.CRITICAL
                pause_s = next_attempt_s(attempts, self._rng, critical=critical, asked_s=after_s)
                due_ms = now + int(pause_s * 1000.0)
                self._settle(replace(delivery, attempts=attempts, due_ms=due_ms, last_error=said))
                self.failed += 1
                if known:
                    self.faults.failed(delivery.receiver, delivery.site, said, now)
                log.warning("%s to be tried again in %.0f s: %s", self.channel, pause_s, said)
            case Needless(reason):
                self._settle(replace(delivery, done_ms=now, last_error=reason))
            case Never(error):
                self._give_up(replace(delivery, attempts=attempts), error, known=known)

    def _give_up(self, delivery: Delivery, error: str, *, known: bool = True) -> None:
        now, said = self._clock.now_ms(), without_address(error, delivery.receiver)
        self._settle(replace(delivery, done_ms=now, gave_up=True, last_error=said))
        self.gave_up += 1
        if known:
            self.faults.failed(delivery.receiver, delivery.site, said, now)
        log.error("%s given up for %s: %s", self.channel, delivery.key, said)

    def _settle(self, delivery: Delivery) -> None:
        self._ledger.settle(delivery)


def without_address(error: str, receiver: str) -> str:
    """An error on one line without the receiver's address, because hubs and readers see it."""
    hidden = error.replace(receiver, words()("outcome.the_receiver")) if "@" in receiver or "/" in receiver else error
    return " ".join(marked(hidden, " ").split())[:LONGEST_REASON]
