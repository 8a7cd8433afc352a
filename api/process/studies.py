"""Studies the long record of each site once a day, in a child process, so that the service stays light."""

from __future__ import annotations

import logging
import subprocess
import tempfile
import time
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import IO
from zoneinfo import ZoneInfo

from api.process.children import child_command, child_environment, make_way
from api.process.repeating import RepeatingWorker
from forecaster.domain.counts import Count
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.site import Site
from forecaster.engine.document import time_text
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.studies")

FIRST_S = 120.0
"""How long after the start the first study may begin [s]: catching up with the readings comes first."""

REST_S = 600.0
"""Time between one child and the next [s]."""

LIMIT_S = 900.0
"""How long one child may take [s]."""

AGAIN_S = 6 * 3600.0
"""A site whose study failed is tried again after this time [s]."""

SITES_A_CHILD = 50
LOWEST = 19
AFTER_MIDNIGHT = timedelta(hours=1)
"""How long after its end a day is studied: its last readings may come late."""


def due_since_ms(timezone: str, now_ms: int) -> int:
    """When the latest daily study of a site fell due: an hour after the last midnight in its zone [UTC ms]."""
    zone = ZoneInfo(timezone)
    today = datetime.fromtimestamp(now_ms / 1000.0, zone).date()
    for day in (today, today - timedelta(days=1)):
        midnight = datetime(day.year, day.month, day.day, tzinfo=zone)
        due_ms = round((midnight.timestamp() + AFTER_MIDNIGHT.total_seconds()) * 1000)
        if due_ms <= now_ms:
            break
    return due_ms


class StudyWorker(RepeatingWorker):
    """Starts one child at a time for the sites that are due, gently and with a limit."""

    def __init__(
        self, folder: Path, sites: Mapping[str, Site], ledger: Ledger, clock: Clock,
        *, first_s: float = FIRST_S, rest_s: float = REST_S, limit_s: float = LIMIT_S,
    ) -> None:  # fmt: skip
        super().__init__("studies", first_s, rest_s)
        self._folder, self._sites, self._ledger, self._clock = folder, dict(sites), ledger, clock
        self._limit_s = limit_s
        self._again_s: dict[str, float] = {}
        self._children = 0
        self._failed = 0

    def counts(self) -> list[Count]:
        """For the metrics."""
        return study_counts(self._children, self._failed)

    def once(self) -> None:
        """Study the sites that are due, where there are any."""
        due = self.due()
        if due:
            self.study(due)

    def due(self) -> list[str]:
        """The sites that are due, at most as many as one child takes; those studied longest ago come first."""
        now_ms, now_s = self._clock.now_ms(), time.monotonic()
        made = self._ledger.studied("days")
        due = [
            site.id
            for site in self._sites.values()
            if made.get(site.id, 0) < due_since_ms(site.timezone, now_ms) and now_s >= self._again_s.get(site.id, 0.0)
        ]
        return sorted(due, key=lambda site: (made.get(site, 0), site))[:SITES_A_CHILD]

    def study(self, sites: Sequence[str]) -> None:
        """Study some sites in a child and wait for its end. StoreError; OSError where the child cannot be started."""
        now_ms = self._clock.now_ms()
        self._children += 1
        self._again_s |= dict.fromkeys(sites, time.monotonic() + AGAIN_S)
        with tempfile.TemporaryFile() as said:
            why = self._run(sites, now_ms, said)
        if why is None or self._ending.is_set():
            return
        self._failed += 1
        log.warning("a study of the long record failed: %s", why)
        made = self._ledger.studied("days")
        for site in sites:
            standing = self._ledger.study(site, "days")
            if made.get(site, 0) < now_ms and (standing is None or standing.problem is None):
                self._ledger.fail_study(site, "days", why)

    def _run(self, sites: Sequence[str], now_ms: int, said: IO[bytes]) -> str | None:
        """Run the child. None where it succeeded, else the reason in one line."""
        command = child_command("study", "--config", str(self._folder), "--at", time_text(now_ms), *sites)
        child = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=said, env=child_environment()
        )
        try:
            make_way(child.pid, LOWEST)
            until_s = time.monotonic() + self._limit_s
            while child.poll() is None:
                if time.monotonic() >= until_s:
                    return words()("fault.it_was_not_done_after_s", limit_s=self._limit_s)
                if self._ending.wait(0.2):
                    return words()("fault.the_service_ended")
        finally:
            child.kill()
            child.wait()
        if child.returncode == 0:
            return None
        said.seek(0)
        return last_line(said.read()) or words()("fault.exit_code", returncode=child.returncode)


def last_line(said: bytes) -> str:
    """The last line that is not empty of what a child said; "" where it said nothing."""
    lines = said.decode(errors="replace").split("\n")
    return next((line for line in reversed(lines) if line.strip()), "")


def study_counts(begun: int, failed: int) -> list[Count]:
    """For the metrics of who makes studies. failed : of those begun"""
    return [
        Count("outlast_studies", "counter", "Studies of the long record, or children for several.", float(begun)),
        Count("outlast_studies_failed", "counter", "Of those, how many failed.", float(failed)),
    ]
