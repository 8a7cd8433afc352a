"""The interfaces that the core and the faces need: stores, ledger, clock. The collector implements them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from forecaster.domain.alarmlog import AlarmLog
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.editlog import EditLog
from forecaster.domain.leases import MemberSeen
from forecaster.domain.longrecord import Day, StudyRecord, WorkDone
from forecaster.domain.notebook import NoteBook
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading, Refusal, SeriesPoint
from forecaster.domain.records import (
    Checkpoint,
    Delivery,
    HeldMessage,
    LoginSession,
    Notice,
    Page,
    PushSubscription,
    RunTotals,
    StoredForecast,
    Token,
)
from forecaster.domain.runs import Event, Gap, Outage, Run
from forecaster.domain.studyjobs import QueueSeen


class Clock(Protocol):
    """Wall and monotonic time. It is passed as an argument everywhere, so that tests and the demo can control it."""

    def now_ms(self) -> int:
        """UTC milliseconds since 1970; may step."""
        ...

    def monotonic_s(self) -> float:
        """Seconds that never step, for durations."""
        ...


@dataclass(frozen=True, slots=True)
class Tail:
    """Readings in the order in which they were stored, and the cursor to continue from."""

    readings: tuple[Reading, ...]
    cursor: str


@dataclass(frozen=True, slots=True)
class StoreHealth:
    """ok, one line of words, bytes on disk, free bytes, readings in a local outbox, bytes of write-ahead log.

    written_bytes : int | None — written by this process's commits since it opened the store; None: not known
    """

    ok: bool
    says: str
    size_bytes: int | None = None
    free_bytes: int | None = None
    pending: int = 0
    wal_bytes: int | None = None
    written_bytes: int | None = None


class ReadingStore(Protocol):
    """Where readings live. Every store passes tests/contracts/store_contract.py unchanged.

    Errors: StoreUnavailable (retry later, nothing was lost), StoreRefused (never will work).
    """

    def append(self, readings: Sequence[Reading]) -> int:
        """Store readings, durable on return; idempotent by identity. Returns how many rows are new or changed."""
        ...

    def tail(
        self, cursor: str | None, limit: int, sites: frozenset[str] | None = None, *, until: str | None = None
    ) -> Tail:
        """Readings stored after `cursor` (None: from the beginning), oldest first, at most `limit`.

        until : str | None — a later cursor of this store beyond which nothing is read
        """
        ...

    def latest(self, site: str) -> Mapping[tuple[Quantity, str], Reading]:
        """The newest reading by source time of each (quantity, subject)."""
        ...

    def series(
        self, site: str, quantity: Quantity, start_ms: int, end_ms: int, points: int | None = None, subject: str = ""
    ) -> list[SeriesPoint]:
        """Readings in [start_ms, end_ms), oldest first; with `points`, at most that many buckets that keep extremes.
        A store that keeps sums by the hour for longer than readings makes the old ones of whole hours."""
        ...

    def count(self, site: str | None = None) -> int:
        """How many readings are held."""
        ...

    def sites(self) -> list[str]:
        """Sites with at least one reading, sorted."""
        ...

    def newest_arrival_ms(self) -> int | None:
        """When the newest reading of any site arrived, as far as the last stored ones tell; None: nothing is stored."""
        ...

    def prune(self, before_ms: int) -> int:
        """Drop readings older than a time and give the disk back. Returns how many went."""
        ...

    def health(self) -> StoreHealth:
        """How the store is."""
        ...

    def close(self) -> None:
        """Finish writing and let go."""
        ...


class Ledger(AlarmLog, EditLog, NoteBook, Protocol):
    """What happened and what is still to be delivered: runs, outages, forecasts, alarms, outbox, tests, tokens.

    Passes tests/contracts/ledger_contract.py on every engine. Writes are durable on return.
    """

    # -- what the engine found
    def record(self, events: Iterable[Event]) -> None:
        """Runs, gaps, transfers and outages; idempotent by (site, start)."""
        ...

    def runs(
        self, site: str, start_ms: int, end_ms: int, limit: int, cursor: str | None = None, pump: str = ""
    ) -> Page:
        """Runs that start in [start_ms, end_ms), newest first; pump : the second one's name, for its runs."""
        ...

    def runs_of(self, sites: Sequence[str], start_ms: int, end_ms: int) -> list[Run]:
        """Runs of some sites that start in [start_ms, end_ms), by site, oldest first; not those of a second pump."""
        ...

    def run_totals(self, site: str, start_ms: int, end_ms: int, points: int, pump: str = "") -> list[RunTotals]:
        """Runs that start in [start_ms, end_ms), in at most `points` equal buckets from start_ms; empty ones left out.

        pump : the second one's name, for its runs
        A bucket is ceil((end_ms - start_ms) / points) ms wide.
        """
        ...

    def outages(self, site: str, limit: int = 200, start_ms: int = 0, end_ms: int = 2**53) -> list[Outage]:
        """Outages that start in [start_ms, end_ms), newest first."""
        ...

    def newest_outages(self, sites: Sequence[str]) -> dict[str, Outage]:
        """The outage of each of some sites that began last; sites without any are left out."""
        ...

    def transferred(self, sites: Sequence[str], since_ms: int) -> list[str]:
        """Which of these sites have had a change of the supply since a time, sorted."""
        ...

    def gaps(self, site: str, start_ms: int, end_ms: int, pump: str = "") -> list[Gap]:
        """Spans in which a quantity was not heard and that overlap [start_ms, end_ms), oldest first.

        pump : the second one's name, for those of its own quantities
        """
        ...

    # -- forecasts
    def publish(self, forecasts: Sequence[StoredForecast]) -> None:
        """The newest forecast of each site, kept also as a past one where it says so."""
        ...

    def newest(self, sites: Sequence[str] | None = None, *, brief: bool = False) -> dict[str, StoredForecast]:
        """The newest forecast of each site (None: all).

        brief : bool — documents with an empty survival and drain path, for lists of many sites
        """
        ...

    def issued(self, since_ms: int | None = None) -> dict[str, int]:
        """When the newest forecast of each site was issued [ms], without the documents: quick for many sites.

        since_ms : only of sites whose newest is not older; None: of all
        """
        ...

    def forecasts(self, site: str, start_ms: int, end_ms: int, limit: int = 2000) -> list[StoredForecast]:
        """Past forecasts in [start_ms, end_ms), oldest first."""
        ...

    # -- checkpoints of engine and alarm manager; kind is "engine" or "alarms"
    def save_checkpoints(self, kind: str, checkpoints: Sequence[Checkpoint]) -> None:
        """Keep the newest checkpoint of each site."""
        ...

    def advance_checkpoints(self, kind: str, sites: Sequence[str], cursor: str | None) -> None:
        """Move the cursor of checkpoints whose state has not changed since; those that are not there stay away."""
        ...

    def checkpoint(self, kind: str, site: str) -> Checkpoint | None:
        """The newest checkpoint of a site."""
        ...

    def checkpoints(self, kind: str, sites: Sequence[str]) -> dict[str, Checkpoint]:
        """The newest checkpoints of some sites, as far as there are any, in one query; at most some hundred sites."""
        ...

    # -- the outbox
    def due(self, channel: str, now_ms: int, limit: int = 50) -> list[Delivery]:
        """Deliveries of a channel that are due, not done, not given up: gravest, first attempts, oldest first."""
        ...

    def settle(self, delivery: Delivery) -> None:
        """Keep a delivery's changed attempts, due time, error, done or given-up mark; once over, no address."""
        ...

    def bring_forward(self, alarm_id: str, who: str, due_ms: int) -> int:
        """Make a person's untried messages about an alarm due earlier. Returns how many there were."""
        ...

    def notices(self, alarm_ids: Sequence[str]) -> list[Notice]:
        """Who was told of these alarms, and with what outcome; the oldest message first."""
        ...

    def notices_between(self, site: str, start_ms: int, end_ms: int, limit: int = 5000) -> list[Notice]:
        """Messages to people of a site that were owed in [start_ms, end_ms), newest first; test messages too."""
        ...

    def answer(self, alarm_id: str, who: str, at_ms: int) -> bool:
        """Keep that a person answered a test message; whether there was one to them. The first answer stays."""
        ...

    def erase_person(self, site: str, who: str) -> int:
        """Forget a person of a site: what they were told, and their name in what they did. How many rows changed."""
        ...

    def oldest_undelivered_ms(self) -> int | None:
        """created_ms of the oldest delivery not done and not given up."""
        ...

    def request(self, kind: str, target: str, body: str, at_ms: int) -> int:
        """Queue what a person asked of the forecaster (acknowledge, shelve, unshelve, test-…); its id."""
        ...

    def requests(self, after_id: int, limit: int = 200) -> list[tuple[int, str, str, str, int]]:
        """(id, kind, target, body, at_ms) queued after an id, oldest first."""
        ...

    # -- discharge tests
    def save_test(self, test: DischargeTest) -> None:
        """Keep a test, running or done."""
        ...

    def tests(self, site: str) -> list[DischargeTest]:
        """Tests of a site, newest first."""
        ...

    def open_tests(self) -> list[DischargeTest]:
        """Tests of all sites that run, or wait for the plug to be pulled, newest first."""
        ...

    # -- the long record; never pruned
    def save_days(self, days: Sequence[Day]) -> None:
        """Keep days; each replaces an earlier version of the same day."""
        ...

    def days(self, site: str, start_ms: int, end_ms: int, pump: str = "") -> list[Day]:
        """Days that begin in [start_ms, end_ms), oldest first; pump : the second one's name, for its days."""
        ...

    def newest_day(self, site: str) -> int | None:
        """When the newest kept day of a site began [ms]; None where none is kept."""
        ...

    def save_work(self, work: WorkDone) -> None:
        """Keep work done."""
        ...

    def drop_work(self, site: str, work_id: str) -> bool:
        """Delete work that was recorded by mistake. Returns whether there was any."""
        ...

    def work(self, site: str) -> list[WorkDone]:
        """Work done at a site, newest first."""
        ...

    def save_study(self, study: StudyRecord) -> None:
        """Keep the newest result of a study."""
        ...

    def fail_study(self, site: str, kind: str, problem: str) -> None:
        """Record why the newest attempt at a study failed. The last good result stays; without one "{}" of time 0."""
        ...

    def study(self, site: str, kind: str) -> StudyRecord | None:
        """The newest good result of a study, with why a later attempt failed."""
        ...

    def studied(self, kind: str) -> dict[str, int]:
        """When the newest good result of a study was made [ms], by site."""
        ...

    # -- people
    def save_token(self, token: Token) -> None:
        """Keep or change a token."""
        ...

    def tokens(self) -> list[Token]:
        """All tokens, newest first."""
        ...

    def open_session(self, session: LoginSession, most: int) -> None:
        """Keep a login session. Expired sessions are removed, and the oldest ones of its token beyond `most`."""
        ...

    def session(self, session_id: str) -> LoginSession | None:
        """A login session by its id."""
        ...

    def close_session(self, session_id: str) -> None:
        """End a login session."""
        ...

    def close_sessions_of(self, token_id: str) -> None:
        """End the login sessions of a token."""
        ...

    def save_subscription(self, subscription: PushSubscription) -> None:
        """Keep a push subscription."""
        ...

    def subscriptions(self) -> list[PushSubscription]:
        """All push subscriptions."""
        ...

    def drop_subscription(self, subscription_id: str) -> None:
        """Forget a push subscription that is gone."""
        ...

    def drop_subscriptions_of(self, token_id: str) -> int:
        """Forget the push subscriptions of a token; how many there were."""
        ...

    # -- quarantine and notes
    def quarantine(self, refusals: Sequence[Refusal]) -> None:
        """Keep what was refused, durably; bounded, the oldest go first."""
        ...

    def refusals(self, site: str | None = None, limit: int = 200) -> list[Refusal]:
        """What was refused, newest first."""
        ...

    def hold(self, messages: Sequence[HeldMessage]) -> None:
        """Keep messages, durably, until the clock can be believed."""
        ...

    def held(self, limit: int, owner: str = "") -> list[HeldMessage]:
        """Messages that one collector holds, oldest first."""
        ...

    def release(self, up_to_id: int, owner: str = "") -> None:
        """Forget messages that one collector holds, up to and with an id: their readings are stored."""
        ...

    def prune(self, before_ms: int) -> int:
        """Drop runs, past forecasts, settled deliveries, cleared alarms older than a time; tests are kept for ever.

        Returns how many rows were deleted. Runs and past forecasts may stay until the month that they are in is over.
        """
        ...

    def members(self) -> list[MemberSeen]:
        """Processes that have joined the work, with the shares that they have leases of; empty where none can."""
        ...

    def queue_seen(self) -> QueueSeen | None:
        """How the queue of studies stands; None where there is none."""
        ...

    def health(self) -> StoreHealth:
        """How the ledger is."""
        ...

    def close(self) -> None:
        """Finish writing and let go."""
        ...
