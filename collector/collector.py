"""The collector: the broker session, the intake behind it, and the upkeep of the stored data."""

from __future__ import annotations

import logging
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass

import msgspec

from collector.clock import Probe, watch_of
from collector.config.settings import Installation
from collector.decode.payload import Decoder
from collector.guard.guard import ChannelGuard
from collector.guard.notes import by_channel, channels_told
from collector.intake import Intake, Writes
from collector.mqtt.session import Session
from collector.share import WHOLE, Share
from forecaster.domain.counts import Count
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.leases import always
from forecaster.domain.ports import Clock, Ledger, ReadingStore
from forecaster.domain.records import EDIT_KEPT_MS
from forecaster.domain.times import DAY_MS
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.collector")

UPKEEP_S = 3600.0


@dataclass(frozen=True, slots=True)
class CollectorState:
    """The state of the collector.

    connected : bool; protocol : str — "5" or "3.1.1"
    problems : tuple[str, ...] — what is wrong now, one line each; empty while all is well
    clock_suspect : str | None — why the wall clock is not believed; holding: messages wait for it
    message_age_s : float | None — time since the newest message of any channel, by the monotonic clock [s]
    waiting : int — messages that were received and are not yet stored durably
    """

    connected: bool
    protocol: str
    problems: tuple[str, ...]
    clock_suspect: str | None
    holding: bool
    message_age_s: float | None
    waiting: int
    connections: int
    messages: int
    readings: int
    refusals: int
    dropped: int
    commits: int


class Collector:
    """Runs session, intake and upkeep for the sites of an installation, or for a share of them.

    on_commit : called after every commit that changed something; must return at once
    probe : gives the facts of the clock; None: those of this machine, if the clock is its own
    leased : tells whether the share is still this collector's, where shares change hands
    place : int — which of the installation's brokers it listens to, from 0
    writes : Writes | None — stores what it collects, where several collectors store together; None: the store itself
    prunes : bool — whether it drops what is older than the retention; one collector of an installation has to
    """

    def __init__(
        self,
        installation: Installation,
        store: ReadingStore,
        ledger: Ledger,
        clock: Clock,
        on_commit: Callable[[], None],
        *,
        share: Share = WHOLE,
        place: int = 0,
        probe: Probe | None = None,
        leased: Callable[[], bool] = always,
        prunes: bool = True,
        writes: Writes | None = None,
    ) -> None:
        self._installation, self._store, self._ledger, self._clock = installation, store, ledger, clock
        sites = share.of(installation.sites)
        decoder = Decoder(sites.values())
        self._watch = watch_of(clock, probe, store.newest_arrival_ms())
        self._broker, self._place = installation.broker.each[place], place
        self._client_id = share.named(self._broker.client_id or kept_client_id(ledger))
        self._filters = decoder.filters()
        self._subscribed = threading.Event()
        self._stop = threading.Event()
        window_s = installation.store.commit_window_ms / 1000.0
        guard = ChannelGuard(sites.values(), by_channel(channels_told(ledger, sites)))
        own = self._of_place(share.own)
        self._intake = Intake(
            decoder, writes or store, ledger, clock, self._watch, on_commit, window_s, own, guard, leased
        )
        self._prunes = prunes
        dropped = [f for f in self._filters_before() if f not in self._filters]
        self._session = Session(
            self._broker,
            self._client_id,
            self._filters,
            dropped,
            clock,
            self._intake.put,
            self._subscribed.set,
            leased,
        )
        self._upkeep = threading.Thread(target=self._look_after, name="upkeep", daemon=True)

    def start(self) -> None:
        """Begin. The broker need not be running yet."""
        self._intake.start()
        self._session.start()
        self._upkeep.start()

    def stop(self) -> None:
        """Finish the work in hand and disconnect. The broker keeps the messages that come from now on.

        The intake ends first, so that what it has stored is still acknowledged over the open connection.
        """
        self._stop.set()
        self._intake.stop()
        self._session.stop()
        if self._upkeep.is_alive():
            self._upkeep.join(10.0)

    def alive(self) -> bool:
        """Whether all its threads run."""
        return self._session.alive() and self._intake.alive() and self._upkeep.is_alive()

    def prove(self) -> None:
        """Raise ConfigError where the password or certificate for the connection cannot be read."""
        self._session.prove()

    def turns(self) -> int:
        """How often the intake has turned."""
        return self._intake.turns

    def wake(self) -> None:
        """Nothing to do: messages wake the collector."""

    def state(self) -> CollectorState:
        """The present state."""
        session, counts, watch = self._session.state, self._intake.counts, self._watch
        heard = self._intake.last_message_s
        return CollectorState(
            connected=session.connected,
            protocol=session.protocol,
            problems=tuple(what for _, what in self.troubles()),
            clock_suspect=None if watch is None else watch.reason,
            holding=watch is not None and watch.holding,
            message_age_s=None if heard is None else self._clock.monotonic_s() - heard,
            waiting=self._intake.waiting(),
            connections=session.connections,
            messages=counts.messages,
            readings=counts.readings,
            refusals=counts.refusals,
            dropped=counts.dropped,
            commits=counts.commits,
        )

    def write_failure(self) -> str | None:
        """Why the latest write of readings failed; None while they are stored. Remarks are in `troubles`."""
        return self._intake.trouble

    def broker_failure(self) -> str | None:
        """Why there is no session with the broker; None while there is one, even if the broker refuses some filters."""
        session = self._session.state
        return None if session.connected else session.problem

    def refused_filters(self) -> dict[str, str]:
        """Topic filters that the broker refuses, and why."""
        return dict(self._session.state.refused_filters)

    def troubles(self) -> list[tuple[str, str]]:
        """What is wrong at the moment, as (who, what)."""
        found = []
        session = self._session.state
        if session.problem is not None:
            found.append(("broker", session.problem))
        found.extend(
            ("broker", words()("broker.it_does_not_give_us", f=f, why=why))
            for f, why in session.refused_filters.items()
        )
        if self._intake.trouble is not None:
            found.append(("store", self._intake.trouble))
        health = self._store.health()
        if health.says not in (words()("store.sound"), self._intake.trouble):
            found.append(("store", health.says))
        if self._watch is not None and self._watch.reason is not None:
            found.append(("clock", self._watch.reason))
        if self._intake.counts.dropped:
            found.append(
                (
                    "intake",
                    words()(
                        "broker.messages_sent_without_acknowledgement_were_dropped", dropped=self._intake.counts.dropped
                    ),
                )
            )
        return found

    def counts(self) -> list[Count]:
        """For the metrics."""
        state = self.state()
        written = self._store.health().written_bytes
        wear = "Bytes written by commits of readings to the embedded store's log; folding it in at most doubles them."
        worn = [] if written is None else [Count("outlast_store_bytes_written", "counter", wear, float(written))]
        return [
            *worn,
            Count("outlast_messages", "counter", "Messages made durable and acknowledged.", state.messages),
            Count("outlast_readings_stored", "counter", "Readings stored, new or changed.", state.readings),
            Count("outlast_refusals", "counter", "Messages or parts of them put in quarantine.", state.refusals),
            Count("outlast_messages_dropped", "counter", "Messages dropped unread.", state.dropped),
            Count("outlast_commits", "counter", "Commits of readings.", state.commits),
            Count("outlast_connections", "counter", "Connections made to the broker.", state.connections),
            Count("outlast_connected", "gauge", "Whether the broker session stands.", float(state.connected)),
            Count("outlast_messages_waiting", "gauge", "Messages received and not yet durable.", state.waiting),
            Count("outlast_message_age_seconds", "gauge", "Since the newest message.", state.message_age_s),
        ]

    # -- upkeep: what is old goes, what is subscribed is remembered

    def _look_after(self) -> None:
        pruned_s = float("-inf")
        remembered = False
        while not self._stop.wait(1.0):
            try:
                if self._subscribed.is_set() and not remembered:
                    self._ledger.note(self._filters_note(), msgspec.json.encode(self._filters).decode())
                    remembered = True
                due = self._prunes and self._clock.monotonic_s() - pruned_s >= UPKEEP_S
                if due and (self._watch is None or not self._watch.reason):
                    self._prune()
                    pruned_s = self._clock.monotonic_s()
            except StoreUnavailable as error:
                log.warning("upkeep waits: %s", error.reason)
                self._stop.wait(30.0)

    def _prune(self) -> None:
        now_ms, retention = self._clock.now_ms(), self._installation.retention
        self._store.prune(now_ms - round(retention.readings_days * DAY_MS))
        self._ledger.prune(now_ms - round(retention.ledger_days * DAY_MS))
        self._ledger.forget_edit_texts(now_ms - EDIT_KEPT_MS)

    def _filters_note(self) -> str:
        return self._of_place(f"filters:{self._client_id}")

    def _of_place(self, name: str) -> str:
        """A name in the ledger that belongs to one session: sessions at further brokers have the same client id."""
        return f"{name}+{self._place}" if self._place else name

    def _filters_before(self) -> list[str]:
        kept = self._ledger.noted(self._filters_note())
        return [] if kept is None else msgspec.json.decode(kept, type=list[str])


def kept_client_id(ledger: Ledger) -> str:
    """The client id of the installation's session, made once and kept in the ledger."""
    kept = ledger.noted("client-id")
    return ledger.note_once("client-id", f"outlast-{secrets.token_hex(6)}") if kept is None else kept
