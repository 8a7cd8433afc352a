"""What the ledger keeps beside what the engine finds: forecasts, checkpoints, deliveries, tokens, and pages of runs."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.runs import Run


@dataclass(frozen=True, slots=True)
class Page:
    """A page of runs, newest first, and the cursor of the next one (None: no more)."""

    runs: tuple[Run, ...]
    cursor: str | None


@dataclass(frozen=True, slots=True)
class RunTotals:
    """The runs that start in one bucket of time, added up: so that a year of runs draws quickly.

    start_ms : int — start of the bucket; count : int — starts in it, at least 1
    total_s, shortest_s, longest_s : float — of their lengths [s]
    energy_wh : float | None — total at the plug; None where no run of the bucket has an energy
    """

    start_ms: int
    count: int
    total_s: float
    shortest_s: float
    longest_s: float
    energy_wh: float | None


@dataclass(frozen=True, slots=True)
class Token:
    """A bearer token as kept: its id, name, scope ("read" or "operate"), one site or all, argon2 hash, times."""

    id: str
    name: str
    scope: str
    site: str | None
    hashed: str
    created_ms: int
    last_used_ms: int | None = None
    revoked_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message to one receiver in the outbox.

    key : str — transition key and receiver: unique, given to the receiver so that a repeat can be dropped
    channel : str — mqtt | homie | webhook | mail | push
    receiver : str — address, URL, subscription id or topic
    body : str — JSON, all that the channel needs
    """

    key: str
    channel: str
    receiver: str
    site: str
    body: str
    created_ms: int
    due_ms: int
    expires_ms: int
    attempts: int = 0
    last_error: str | None = None
    done_ms: int | None = None
    gave_up: bool = False


@dataclass(frozen=True, slots=True)
class PushSubscription:
    """A browser that asked for push: endpoint, keys p256dh and auth (base64url), site or all, label."""

    id: str
    endpoint: str
    p256dh: str
    auth: str
    site: str | None
    label: str
    created_ms: int


@dataclass(frozen=True, slots=True)
class StoredForecast:
    """A forecast as published: when, and the JSON document.

    past : bool — whether it is kept among the past ones too, when a newer one takes its place
    """

    site: str
    issued_ms: int
    document: str
    past: bool = True


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """A snapshot of one site's state and the store cursor up to which it has folded."""

    site: str
    cursor: str | None
    taken_ms: int
    state: bytes


@dataclass(frozen=True, slots=True)
class HeldMessage:
    """A message that came while the wall clock could not be believed, kept as it came until it can be.

    boot : str — which start of the machine its stamp belongs to
    monotonic_s : float — when it arrived, in seconds that never step, within that start
    id : int — set by the ledger, rising
    owner : str — which of several collectors holds it; "" where one has all sites
    """

    boot: str
    monotonic_s: float
    topic: str
    payload: bytes
    retained: bool
    id: int = 0
    owner: str = ""
