"""Channels that keep failing, noted in the ledger: couriers write it, the forecaster reads it for its alarms."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping, Sequence

import msgspec

from forecaster.alarms.evidence import Failing
from forecaster.alarms.plan import CHANNELS
from forecaster.decoding.typed import from_json
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Site


class Fault(msgspec.Struct, frozen=True):
    """A receiver that cannot be reached: since when, and why."""

    since_ms: int
    error: str
    site: str | None


def note_name(channel: str) -> str:
    """The ledger's note that holds a channel's faults."""
    return f"delivery:{channel}"


def faults_of(ledger: Ledger, channel: str) -> dict[str, Fault]:
    """The faults of a channel by receiver."""
    noted = ledger.noted(note_name(channel))
    return {} if not noted else from_json(noted, dict[str, Fault])


class FaultBook:
    """One courier's faults; writes the note only when it changes."""

    def __init__(self, ledger: Ledger, channel: str) -> None:
        self._ledger, self._channel = ledger, channel
        self._lock = threading.Lock()
        self._faults: dict[str, Fault] | None = None

    def failed(self, receiver: str, site: str | None, error: str, now_ms: int) -> None:
        """A receiver could not be reached."""
        with self._lock:
            faults = self._held()
            known = faults.get(receiver)
            since = now_ms if known is None else known.since_ms
            fault = Fault(since, error, site)
            if known != fault:
                faults[receiver] = fault
                self._write(faults)

    def reached(self, receiver: str) -> None:
        """A receiver was reached."""
        with self._lock:
            faults = self._held()
            if faults.pop(receiver, None) is not None:
                self._write(faults)

    def forget(self, receivers: Iterable[str]) -> None:
        """Drop the faults of receivers that are no longer configured."""
        with self._lock:
            faults = self._held()
            gone = [receiver for receiver in receivers if faults.pop(receiver, None) is not None]
            if gone:
                self._write(faults)

    def standing(self) -> dict[str, Fault]:
        """The present faults by receiver."""
        with self._lock:
            return dict(self._held())

    def _held(self) -> dict[str, Fault]:
        if self._faults is None:
            self._faults = faults_of(self._ledger, self._channel)
        return self._faults

    def _write(self, faults: dict[str, Fault]) -> None:
        self._ledger.note(note_name(self._channel), msgspec.json.encode(faults).decode())


Faults = Mapping[str, Sequence[Fault]]
"""Faults by channel."""


def all_faults(ledger: Ledger) -> Faults:
    """The present faults of every channel."""
    return {channel: tuple(faults_of(ledger, channel).values()) for channel in sorted(CHANNELS)}


def failing_for(faults_now: Faults, site: Site) -> tuple[Failing, ...]:
    """The channels that fail for a site, longest first: the evidence of the delivery-failing alarm."""
    found = []
    for channel, known in faults_now.items():
        faults = [fault for fault in known if fault.site in (None, site.id)]
        if faults:
            first = min(faults, key=lambda fault: fault.since_ms)
            found.append(Failing(channel, first.since_ms, first.error))
    return tuple(sorted(found, key=lambda failing: failing.since_ms))
