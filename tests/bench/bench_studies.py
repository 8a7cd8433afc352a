"""10,000 daily studies through the queue on PostgreSQL, by two workers, one of which is killed in the middle.

Sites have no readings, so that what is measured is the queue, its fences and the least that a study takes.
"""

from __future__ import annotations

import signal
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.bench import Figure
from tests.engines import running_postgres
from tests.faults.studied import studied

SITES = 10_000
HALF = SITES // 2


def run() -> list[Figure]:
    """Queue them, work on them, kill a worker half-way, and count."""
    with (
        running_postgres() as postgres,
        TemporaryDirectory() as folder,
        studied(Path(folder), postgres, SITES) as house,
    ):
        began_s = time.monotonic()
        house.ask()
        queued_s = time.monotonic() - began_s
        first = house.start()
        house.start()
        house.await_done(HALF, limit_s=7200.0)
        first.send_signal(signal.SIGKILL)
        first.wait()
        house.await_done(SITES, limit_s=7200.0)
        took_s = time.monotonic() - began_s
        seen = house.seen()
        lost = SITES - house.made()
    return [
        Figure("studies queued in one go", queued_s, "s"),
        Figure("studies by two workers, one killed half-way", SITES / took_s, "a second"),
        Figure("lost", float(lost), "studies", aim="<= 0"),
        Figure("failed", float(seen.failed), "studies", aim="<= 0"),
        Figure("begun again after the kill", float(seen.retried), "studies"),
    ]
