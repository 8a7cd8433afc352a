"""A forecast worker whose sites come and go in groups while it runs: those of the shares that it has leases of.

A group that comes catches up beside the sites that are here, some batches a turn, and joins them at one cursor. A group
that goes is written first, unless its lease is lost: then nothing of it is written any more.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import msgspec

from forecaster.domain.errors import StaleLease, StoreError
from forecaster.domain.ports import Clock, Ledger, ReadingStore
from forecaster.domain.publishing import Publisher
from forecaster.domain.site import Site
from forecaster.engine.document import from_document
from forecaster.live.checkpoints import CheckpointWriter
from forecaster.live.cursor import StoreCursor, Take
from forecaster.live.lasting import spare_lasting
from forecaster.live.pending import PlanDeliveries
from forecaster.live.site_runner import HOLDOFF_MS, REFRESH_MS, SITE_FAULTS, Issued, SiteRunner
from forecaster.live.worker import ForecastWorker, Look

MOVE_S = 0.5
"""How long coming and going may take of one turn [s]; the rest waits for the next."""

LOT = 50
"""Sites that are taken up or let go at a time: a group alone would cost as many requests."""

ASKED = "requests-handled"
"""The ledger note, one for each group, of the last request of people that was carried out; `…:all` and `…:all-1-2` are
those of forecasters that did not join."""


@dataclass(slots=True)
class Newcomers:
    """Sites that catch up with their readings.

    take : called with each batch
    """

    cursor: StoreCursor
    take: Take
    _batches: Iterator[None] | None = field(default=None, init=False)

    def advance(self, until_s: float) -> bool:
        """Fold until a moment of the monotonic clock. Returns whether all stand at one cursor, where the store ends."""
        while not self.cursor.joined and time.monotonic() < until_s:
            self._batch()
        if self.cursor.joined and len(self.cursor.standing()) != 1:
            self.cursor.step(self.take)
        return self.cursor.joined and len(self.cursor.standing()) == 1

    def _batch(self) -> None:
        if self._batches is None:
            self._batches = self.cursor.batches(self.take)
        try:
            next(self._batches, None)
        except StoreError:
            self._batches = None
            raise


class MovingForecastWorker(ForecastWorker):
    """Runs the engines and managers of the groups of sites that it is given. It begins with none.

    adopt(), let_go() and working() may be called from any thread; the work is done by the worker's own.
    on_dropped : called by the worker's thread with the name of a group that it no longer works on
    """

    def __init__(
        self, store: ReadingStore, ledger: Ledger, clock: Clock, *, plan: PlanDeliveries, outside: Look,
        on_dropped: Callable[[str], None], publisher: Publisher | None = None, name: str = "members",
    ) -> None:  # fmt: skip
        super().__init__({}, store, ledger, clock, plan=plan, outside=outside, publisher=publisher, name=name)
        self._on_dropped = on_dropped
        self._moves = threading.Lock()
        self._coming: dict[str, dict[str, Site]] = {}
        self._going: dict[str, bool] = {}
        self._groups: dict[str, frozenset[str]] = {}
        self._asked_of: dict[str, int] = {}
        self._starts: dict[str, str | None] = {}
        self._newcomers: Newcomers | None = None

    def adopt(self, name: str, sites: Mapping[str, Site]) -> None:
        """Work on a group of sites from now on."""
        with self._moves:
            self._coming[name] = dict(sites)
        self.wake()

    def let_go(self, name: str, *, lost: bool) -> None:
        """End the work on a group. lost : the lease is another's already, and nothing more is written."""
        with self._moves:
            self._going[name] = lost or self._going.get(name, False)
        self.wake()

    def working(self) -> frozenset[str]:
        """The groups that it works on, is about to, or has not yet let go; none once its thread has ended."""
        with self._moves:
            return frozenset({*self._coming, *self._groups}) if self._thread.is_alive() else frozenset()

    # -- the thread
    def _checkpoints_of(self, runners: Mapping[str, SiteRunner]) -> CheckpointWriter:
        return CheckpointWriter(runners, self._ledger, self._clock, self._blame, often=True)

    def _once(self, step: Callable[[], None]) -> bool:
        """Do a step. Groups whose leases turn out to be another's are dropped, and the others go on at once."""

        def fenced() -> None:
            try:
                step()
            except StaleLease as stale:
                if not self._drop_all(stale.names):
                    raise
                self._more_due = True

        return super()._once(fenced)

    def _turn(self) -> None:
        """One turn; the next follows at once while groups come and go."""
        super()._turn()
        moving = self._going or self._coming or self._starts or self._newcomers is not None
        self._more_due = self._more_due or bool(moving)

    def _rearrange(self) -> None:
        """Let groups go, take groups up, and let those that caught up join, within a share of the turn."""
        if not self._cursor.joined:
            self._catch_up()
        until_s = time.monotonic() + MOVE_S
        if lost := [name for name, lost in list(self._going.items()) if lost]:
            self._drop_all(lost)
        while time.monotonic() < until_s and (names := self._lot(self._going, self._groups)) and self._end(names):
            pass
        while time.monotonic() < until_s and (names := self._lot(self._coming, self._coming)):
            self._begin(names)
        if self._newcomers is None and self._starts and not self._coming:
            self._newcomers = Newcomers(StoreCursor(self._store, self._starts), self._fold)
            self._starts = {}
        if self._newcomers is not None and self._newcomers.advance(until_s):
            self._join(self._newcomers.cursor)

    @staticmethod
    def _lot(names: Iterable[str], groups: Mapping[str, Collection[str]]) -> list[str]:
        """The first of the named groups, as many as have LOT sites together."""
        lot, sites = list[str](), 0
        for name in list(names):
            if sites >= LOT:
                break
            lot.append(name)
            sites += len(groups.get(name, ()))
        return lot

    def _begin(self, names: Sequence[str]) -> None:
        """Take the sites of groups up from their checkpoints; they are forecast once they have caught up."""
        with self._moves:
            coming = {name: self._coming[name] for name in names}
        sites = {site: told for group in coming.values() for site, told in group.items()}
        found = self._restored(sites)
        newest = self._ledger.newest(list(sites), brief=True)
        kept = self._ledger.notes(ASKED)
        before = [number for note, number in kept.items() if note.startswith(f"{ASKED}:all")]
        first = min(before, key=int, default="0")
        with self._moves:
            for name, group in coming.items():
                self._groups[name] = frozenset(group)
                del self._coming[name]
        self._asked_of |= {name: int(kept.get(f"{ASKED}:{name}", first)) for name in coming}
        self._behind |= sites.keys()
        self._sites |= sites
        self._rehearsals.begin(sites)
        for site, (runner, cursor) in found.items():
            self._runners[site], self._starts[site] = runner, cursor
            if site in newest:
                self._follow(runner, newest[site].document)

    def _follow(self, runner: SiteRunner, document: str) -> None:
        """Note the newest forecast of whoever had a site before; one that cannot be read is that site's fault."""
        try:
            runner.before = from_document(msgspec.json.decode(document))
        except SITE_FAULTS as error:
            self._blame(runner, error)

    def _join(self, newcomers: StoreCursor) -> None:
        """Let those that have caught up go on together with the others."""
        here = self._cursor.standing()
        if len(here) != 1:
            return  # in the turns after the last join
        starts = {site: group.cursor for group in (*here, *newcomers.standing()) for site in group.sites}
        self._cursor, self._newcomers = StoreCursor(self._store, starts), None
        self._behind = set(self._starts)
        self._redeal()
        spare_lasting()
        self._catch_up()

    def _end(self, names: Sequence[str]) -> bool:
        """Let groups go with all of them written. Returns whether it could be: not before all stand at one cursor."""
        sites = frozenset[str]().union(*(self._groups.get(name, ()) for name in names)) - self._behind
        standing = self._cursor.standing()
        if sites and len(standing) != 1:
            return False
        self._write()
        if sites:
            self._checkpoints.keep([self._runners[site] for site in sites], standing[0].cursor)
        self._drop_all(names)
        return True

    def _drop_all(self, names: Sequence[str]) -> bool:
        """Work on these groups no longer. Returns whether there were any."""
        with self._moves:
            known = [name for name in names if name in self._groups or name in self._coming]
            gone = frozenset[str]().union(*(self._groups.pop(name, ()) for name in known))
            for name in names:
                self._coming.pop(name, None)
                self._going.pop(name, None)
        for name in known:
            self._asked_of.pop(name, None)
            self._on_dropped(name)
        for site in gone:
            del self._runners[site], self._sites[site]
            self._starts.pop(site, None)
        self._behind -= gone
        self._pending = [one for one in self._pending if one.site.id not in gone]
        self._events = [event for event in self._events if event.site not in gone]
        for cursor in (self._cursor, *([] if self._newcomers is None else [self._newcomers.cursor])):
            cursor.leave(gone)
        self._rehearsals.leave(gone)
        self._redeal()
        return bool(known)

    def _redeal(self) -> None:
        ready = self._ready()
        self._checkpoints.deal({runner.site.id: runner for runner in ready})
        for runner in ready:
            runner.holdoff_ms = min(REFRESH_MS, HOLDOFF_MS * len(ready))

    def _publish(self, told: Sequence[Issued]) -> None:
        """Publish forecasts; those of groups whose lease is another's are left out."""
        try:
            super()._publish(told)
        except StaleLease as stale:
            if not self._drop_all(stale.names):
                raise
            self._publish([one for one in told if one.site.id in self._runners])

    def _handle_requests(self) -> None:
        """Carry out people's requests; each group has its own place among them, which moves with it."""
        if not self._asked_of:
            return
        named = {site: name for name, sites in self._groups.items() for site in sites}
        asked = self._ledger.requests(min(self._asked_of.values()))
        for number, kind, target, body, at_ms in asked:
            site = target.partition(":")[0]
            if site in self._runners and number > self._asked_of[named[site]]:
                self._obey(self._runners[site], kind, target, body, at_ms)
        if not asked:
            return
        self._write()
        last = asked[-1][0]
        for name in [name for name, number in self._asked_of.items() if number < last]:
            self._ledger.note(f"{ASKED}:{name}", str(last))
            self._asked_of[name] = last
