"""Queues the daily studies where the ledger is on PostgreSQL, and sees to it that somebody works on them."""

from __future__ import annotations

import logging
import subprocess
from collections.abc import Collection, Mapping
from pathlib import Path

import msgspec

from api.process.children import child_command, child_environment
from api.process.studies import FIRST_S, StudyWorker, due_since_ms
from collector.store.ledger import SqlLedger
from collector.store.queue_schema import QueueUnusable
from forecaster.decoding.typed import from_json
from forecaster.domain.counts import Count
from forecaster.domain.ports import Clock
from forecaster.domain.site import Site
from forecaster.domain.studyjobs import StudyJob, StudyPriority
from forecaster.health.told import KINDS

log = logging.getLogger("outlast.studies")

LOOK_S = 60.0
"""Time between two looks at what is due [s]."""

STEP = 500
"""Forecasts read in one query."""

LET_GO_S = 60.0
"""How long the worker of this process may take to end [s]."""


class QueuedStudies(StudyWorker):
    """Puts what is due into the queue, and starts a worker of its own while nobody else works on it.

    Where the queue's tables cannot be made, it studies as where there is no PostgreSQL.
    """

    def __init__(
        self, folder: Path, sites: Mapping[str, Site], ledger: SqlLedger, clock: Clock,
        *, first_s: float = FIRST_S, rest_s: float = LOOK_S,
    ) -> None:  # fmt: skip
        super().__init__(folder, sites, ledger, clock, first_s=first_s, rest_s=rest_s)
        self._queue = ledger
        self._worker: subprocess.Popen[bytes] | None = None
        self._refused = False

    def stop(self, timeout_s: float = LET_GO_S) -> None:
        """End the thread, and the worker that it has started."""
        super().stop(timeout_s)
        self._end_worker()

    def counts(self) -> list[Count]:
        """For the metrics: those of its own children, where it had to do without the queue."""
        return super().counts() if self._refused else []

    def once(self) -> None:
        """Queue what is due."""
        try:
            name = self._queue.open_queue()
        except QueueUnusable as error:
            if not self._refused:
                log.warning("studies are made by children of this process: %s", error)
            self._refused = True
            super().once()
            return
        self._refused = False
        self._queue.queue_studies(name, self.jobs())
        self._queue.tidy_queue(name, self._sites.keys())
        self._have_worked()

    def jobs(self) -> list[StudyJob]:
        """The studies that are due, with those of sites on the pack as more urgent."""
        now_ms = self._clock.now_ms()
        made = self._queue.studied_whole(KINDS)
        since = {site.id: due_since_ms(site.timezone, now_ms) for site in self._sites.values()}
        due = sorted((site for site in since if made.get(site, 0) < since[site]), key=lambda one: made.get(one, 0))
        on_pack = self._on_pack(due)
        return [
            StudyJob(one, since[one], StudyPriority.ON_PACK if one in on_pack else StudyPriority.DAILY) for one in due
        ]

    def _on_pack(self, sites: list[str]) -> Collection[str]:
        found = set[str]()
        for first in range(0, len(sites), STEP):
            for site, stored in self._queue.newest(sites[first : first + STEP], brief=True).items():
                if from_json(stored.document, _Supply).supply == "pack":
                    found.add(site)
        return found

    def _have_worked(self) -> None:
        """Start a worker while jobs wait and nobody works on them; end it when none waits, or another works too."""
        seen = self._queue.queue_seen()
        own = self._worker is not None and self._worker.poll() is None
        if seen is None:
            return
        if own and (seen.workers > 1 or not seen.waiting + seen.running):
            self._end_worker()
        elif not own and seen.waiting and not seen.workers and not self._ending.is_set():
            words = child_command("study", "--config", str(self._folder), "--join")
            self._worker = subprocess.Popen(words, stdin=subprocess.DEVNULL, env=child_environment())

    def _end_worker(self) -> None:
        if self._worker is None:
            return
        self._worker.terminate()
        try:
            self._worker.wait(LET_GO_S)
        except subprocess.TimeoutExpired:
            self._worker.kill()
            self._worker.wait()
        self._worker = None


class _Supply(msgspec.Struct):
    supply: str | None = None
