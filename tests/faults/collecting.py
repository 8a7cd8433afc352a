"""A process that collects until it is killed: `python -m tests.faults.collecting FOLDER [STOP_BEFORE_COMMIT]`.

With a second argument it stops, for ever, between arrival and commit of the batch that reaches so many messages.
"""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from collector.clock import SystemClock
from collector.collector import Collector, kept_client_id
from collector.config.settings import load_installation
from collector.store.open import open_ledger, open_store
from collector.store.sqlite import SqliteStore
from forecaster.domain.readings import Reading


class Stalling(SqliteStore):
    """Says so and never comes back, once so many readings have been offered."""

    stall_at = 0
    offered = 0

    def append(self, readings: Sequence[Reading]) -> int:
        """Store, or stall just before the commit."""
        self.offered += len(readings)
        if self.stall_at and self.offered >= self.stall_at:
            sys.stdout.write("stalled\n")
            sys.stdout.flush()
            time.sleep(3600)
        return super().append(readings)


def main(folder: Path, stall_at: int) -> None:
    """Collect until told to end."""
    installation = load_installation(folder)
    ledger = open_ledger(installation.ledger_url)
    if stall_at:
        open_store(installation.readings_url).close()
        store = Stalling(Path(installation.readings_url.removeprefix("sqlite:///")))
        store.stall_at = stall_at
        collector = Collector(installation, store, ledger, SystemClock(), lambda: None)
    else:
        collector = Collector(installation, open_store(installation.readings_url), ledger, SystemClock(), lambda: None)
    collector.start()
    note = f"filters:{installation.broker.client_id or kept_client_id(ledger)}"
    while ledger.noted(note) is None or not collector.state().connected:
        time.sleep(0.02)
    sys.stdout.write("connected\n")
    sys.stdout.flush()
    signal.sigwait({signal.SIGTERM})
    collector.stop()


if __name__ == "__main__":
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0)
