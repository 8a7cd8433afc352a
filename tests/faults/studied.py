"""An installation whose studies are queued on PostgreSQL, and the processes that work on them."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from collector.store.ledger import SqlLedger
from collector.store.open import open_ledger
from forecaster.domain.studyjobs import QueueSeen, StudyJob, StudyPriority
from forecaster.health.told import KINDS
from tests.bench.fleet import site_id, write_fleet
from tests.bench.load import CALL
from tests.engines import ROOT, Postgres, wait_until

PATIENCE_S = 1500.0
"""How long a busy machine may take for any one step."""


@dataclass
class Studied:
    """A folder with so many sites without readings, the ledger, and the workers that run.

    since_ms : when its studies were asked for
    """

    folder: Path
    sites: int
    ledger: SqlLedger
    queue: str
    since_ms: int
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def ask(self, priority: StudyPriority = StudyPriority.DAILY) -> None:
        """Queue a study of every site."""
        jobs = [StudyJob(site_id(number), self.since_ms, priority) for number in range(self.sites)]
        assert self.ledger.queue_studies(self.queue, jobs) == self.sites

    def start(self) -> subprocess.Popen[bytes]:
        """`outlast study --join`, in a group of its own."""
        words = [sys.executable, "-c", CALL, "study", "--config", str(self.folder), "--join"]
        with (self.folder / f"study-{len(self.workers)}.log").open("ab") as log:
            self.workers.append(subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log, start_new_session=True))
        return self.workers[-1]

    def end(self) -> None:
        """Kill what runs, paused or not."""
        for worker in self.workers:
            worker.send_signal(signal.SIGKILL)
            worker.wait()

    def seen(self) -> QueueSeen:
        """How the queue stands."""
        seen = self.ledger.queue_seen()
        assert seen is not None
        return seen

    def await_done(self, number: int, limit_s: float = PATIENCE_S) -> None:
        """Wait until so many studies are done."""
        wait_until(lambda: self.seen().done >= number, f"{number} studies", limit_s)

    def made(self) -> int:
        """How many sites have all their studies, made since they were asked for."""
        return sum(at_ms >= self.since_ms for at_ms in self.ledger.studied_whole(KINDS).values())

    def said(self) -> str:
        """The logs of all workers."""
        return "".join(path.read_text(errors="replace") for path in sorted(self.folder.glob("study-*.log")))


@contextmanager
def studied(folder: Path, postgres: Postgres, sites: int, at_once: int = 1) -> Iterator[Studied]:
    """An installation with a queue; nothing is in it, and nobody works on it."""
    url = postgres.empty_database("studied")
    write_fleet(folder, sites, "mqtt://127.0.0.1:1", f"sqlite:///{folder}/readings.db")
    with (folder / "outlast.toml").open("a") as settings:
        settings.write(f'ledger = "{url}"\n[studies]\nat_once = {at_once}\n')
    with ExitStack() as stack:
        ledger = stack.enter_context(closing(open_ledger(url)))
        assert isinstance(ledger, SqlLedger)
        house = Studied(folder, sites, ledger, ledger.open_queue(), round(time.time() * 1000))
        stack.callback(house.end)
        yield house
