"""Rows of the ledger beside the engine's findings: forecasts, checkpoints, deliveries, tokens, pages of runs."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, Priority
from forecaster.domain.runs import Run

LEDGER_LOSS = "ledger-loss"
"""The note of a ledger that was lost and started anew."""

LOSS_TOLD_MS = 7 * 86_400_000
"""For so long every page says it [ms]."""


@dataclass(frozen=True, slots=True)
class LedgerLoss:
    """A ledger that was damaged or gone, and what could be taken over of it.

    why : str — what was found, in a line; tokens, alarms, subscriptions : int — rows taken over
    """

    at_ms: int
    why: str
    tokens: int = 0
    alarms: int = 0
    subscriptions: int = 0


@dataclass(frozen=True, slots=True)
class Page:
    """A page of runs, newest first, and the cursor of the next one (None: no more)."""

    runs: tuple[Run, ...]
    cursor: str | None


@dataclass(frozen=True, slots=True)
class AlarmQuery:
    """A query for alarms; None and empty values match any.

    start_ms, end_ms : int | None — their newest change lies in [start_ms, end_ms)
    cursor : str | None — of the page before
    """

    site: str | None = None
    states: tuple[AlarmState, ...] = ()
    kinds: tuple[AlarmKind, ...] = ()
    priorities: tuple[Priority, ...] = ()
    start_ms: int | None = None
    end_ms: int | None = None
    limit: int = 500
    cursor: str | None = None


@dataclass(frozen=True, slots=True)
class AlarmPage:
    """A page of alarms, newest change first, and the cursor of the next one (None: no more)."""

    alarms: tuple[Alarm, ...]
    cursor: str | None


@dataclass(frozen=True, slots=True)
class RunTotals:
    """The runs that start in one bucket of time, added up, so that a year of runs is drawn quickly.

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
    """A bearer token as kept: its id, name, scope ("read" or "operate"), one site or all, hash, times.

    ends_ms : int | None — opens nothing from then on [UTC milliseconds]; None: until it is revoked
    """

    id: str
    name: str
    scope: str
    site: str | None
    hashed: str
    created_ms: int
    last_used_ms: int | None = None
    revoked_ms: int | None = None
    ends_ms: int | None = None

    def stands(self, now_ms: int) -> bool:
        """Whether it opens anything: neither revoked nor ended."""
        return self.revoked_ms is None and (self.ends_ms is None or now_ms < self.ends_ms)


@dataclass(frozen=True, slots=True)
class LoginSession:
    """A browser that has logged in: the SHA-256 of its cookie, the token it came with, when it began and ends."""

    id: str
    token_id: str
    created_ms: int
    expires_ms: int


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message to one receiver in the outbox. After it is settled, it is the record of who was told what.

    key : str — transition key and receiver: unique, given to the receiver so that a repeat can be dropped
    channel : str — mqtt | homie | webhook | mail | push
    receiver : str — address, URL, subscription id or topic; forgotten once it is settled
    body : str — JSON, all that the channel needs; forgotten once it is settled
    who : str — the person's name; "" for a hub
    alarm_id, revision : str, int — what it tells of; "" and 0 where it tells of no alarm
    rank : int — of its priority, 0 for low to 3 for critical: graver ones leave first
    answered_ms : int | None — when the person answered a test message [UTC milliseconds]
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
    who: str = ""
    alarm_id: str = ""
    revision: int = 0
    rank: int = 0
    answered_ms: int | None = None


class NoticeOutcome(StrEnum):
    """What became of a message to a person."""

    WAITING = "waiting"  # not tried yet
    FAILING = "failing"  # tried, and to be tried again
    TOLD = "told"  # the receiver has taken it
    FAILED = "failed"  # given up
    NEEDLESS = "needless"  # a newer message took its place, or somebody had acknowledged


@dataclass(frozen=True, slots=True)
class Notice:
    """Who was told what, when, over which channel, with what outcome. Holds a name, never an address.

    at_ms : int — when it was taken, given up or made needless; while it waits, when it is tried next
    reason : str | None — why it fails, failed, or was not needed
    answered_ms : int | None — when the person answered a test message [UTC milliseconds]
    attempts : int — how often it was tried
    """

    alarm_id: str
    revision: int
    site: str
    who: str
    channel: str
    at_ms: int
    outcome: NoticeOutcome
    reason: str | None = None
    answered_ms: int | None = None
    attempts: int = 0


def notice_of(delivery: Delivery) -> Notice:
    """The record of a delivery to a person."""
    at_ms = delivery.due_ms if delivery.done_ms is None else delivery.done_ms
    return Notice(
        alarm_id=delivery.alarm_id,
        revision=delivery.revision,
        site=delivery.site,
        who=delivery.who,
        channel=delivery.channel,
        at_ms=at_ms,
        outcome=_outcome_of(delivery),
        reason=delivery.last_error,
        answered_ms=delivery.answered_ms,
        attempts=delivery.attempts,
    )


def _outcome_of(delivery: Delivery) -> NoticeOutcome:
    if delivery.gave_up:
        return NoticeOutcome.FAILED
    if delivery.done_ms is None:
        return NoticeOutcome.FAILING if delivery.attempts else NoticeOutcome.WAITING
    return NoticeOutcome.TOLD if delivery.last_error is None else NoticeOutcome.NEEDLESS


@dataclass(frozen=True, slots=True)
class PushSubscription:
    """A browser that asked for push: endpoint, keys p256dh and auth (base64url), site or all, label.

    token_id : str | None — the token that subscribed it, and with which it ends; None: subscribed without one
    """

    id: str
    endpoint: str
    p256dh: str
    auth: str
    site: str | None
    label: str
    created_ms: int
    token_id: str | None = None


@dataclass(frozen=True, slots=True)
class StoredForecast:
    """A forecast as published: when, and the JSON document.

    past : bool — whether it is kept among the past forecasts when a newer one replaces it
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
    """A message that arrived while the wall clock could not be believed, kept unchanged until it can be.

    boot : str — which start of the machine its stamp belongs to
    monotonic_s : float — when it arrived, in seconds that never step, within that start
    id : int — set by the ledger, rising
    owner : str — the collector that holds it; "" where one collector has all sites
    """

    boot: str
    monotonic_s: float
    topic: str
    payload: bytes
    retained: bool
    id: int = 0
    owner: str = ""


EDIT_KEPT_MS = 30 * 86_400_000
"""For so long a change of a site file can be taken back [ms]: its texts, which may name people, are dropped then."""


@dataclass(frozen=True, slots=True)
class SiteEdit:
    """A change of a site file that somebody made with the program.

    who : str — by the name of their token, or as they called themselves
    part : str — the part of the file, or what was done with all of it: "removed", "undone"
    before, after : str | None — the text of the file, "" where there was none; None: dropped, too old to take back
    undoes : int | None — the change that this one takes back
    id : int — 0 before it is kept
    """

    site: str
    at_ms: int
    who: str
    part: str
    before: str | None
    after: str | None
    undoes: int | None = None
    id: int = 0
