"""Others look into the databases of a running installation and leave again: a backup, a study, a command, `serve`.

SQLite's locks are the process's own (fcntl(2)): whoever closes a handle of a file lets go of all of them, and the next
one to leave takes itself for the last and deletes the log in use ("How To Corrupt An SQLite Database File", 2.2).
"""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.api.process.houses import PATIENCE_S, house
from tests.engines import ROOT, wait_until
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]

LOOK = """
import sqlite3, sys
for name in sys.argv[1:]:
    held = sqlite3.connect(name)
    held.execute("SELECT count(*) FROM sqlite_master").fetchall()
    held.close()
"""
TIMES, EACH = 4, 25


@contextmanager
def manager(path: Path) -> Iterator[socket.socket]:
    """What a service manager listens on: a process tells it after every look at itself."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as made:
        made.bind(str(path))
        made.settimeout(PATIENCE_S)
        yield made


@pytest.mark.timeout(600)
def test_who_looks_in_and_leaves_takes_no_log_away(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """In: 100 messages, another process looking in after each 25, then kill -9. Out: 100 rows, the logs still there."""
    with house(tmp_path / "house", mosquitto) as one, manager(tmp_path / "notify") as looks:
        one.write()
        one.start(NOTIFY_SOCKET=str(tmp_path / "notify"))
        assert looks.recv(100) == b"READY=1"
        files = [one.folder / name for name in ("outlast.db", "outlast-ledger.db")]
        logs = [path.with_name(f"{path.name}-wal") for path in files]
        before = [log.stat().st_ino for log in logs]
        for _ in range(TIMES):
            one.publish(EACH)
            wait_until(lambda: one.rows() == one.sent, "the rows", PATIENCE_S)
            assert looks.recv(100) == b"WATCHDOG=1"
            subprocess.run([sys.executable, "-c", LOOK, *map(str, files)], cwd=ROOT, check=True)
            assert [log.stat().st_ino for log in logs if log.exists()] == before
        one.kill()
        one.start()
        assert one.rows() == TIMES * EACH
