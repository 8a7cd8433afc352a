"""Whether the process does its work: its loops turn, and its databases are the files that were opened.

A fault that cannot be mended from within ends the process with an exit code, so that a supervisor restarts it. The
start moves a damaged database aside.
"""

from __future__ import annotations

import os
import socket
import sqlite3
import time
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from api.process.parts import Worker
from forecaster.texts.catalogue import words

HANGING_LOOKS = 30
ENDING_LOOKS = 60
"""Checks without a turn after which a loop is taken to hang, and after which the process ends. Checks are counted, not
seconds, because a process that was suspended finds its loops standing still."""

DEEP_S = 10.0
DEEP_SHARE = 0.02
"""How often a database is checked as a whole [s], and the share of the time that this may take."""


@dataclass(slots=True)
class LoopWatch:
    """Counts for how many checks in a row each worker's loop has not turned."""

    _turns: dict[str, tuple[int, int]] = field(default_factory=dict)

    def look(self, workers: Iterable[Worker]) -> None:
        """Check: compare each worker's turns with those of the last check."""
        seen: dict[str, tuple[int, int]] = {}
        for worker in workers:
            turns = worker.turns()
            if turns is not None:
                name = type(worker).__name__
                before, still = self._turns.get(name, (turns - 1, 0))
                seen[name] = (turns, still + 1 if turns == before else 0)
        self._turns = seen

    def standing(self, looks: int) -> list[str]:
        """Workers whose loop has stood still for at least so many checks."""
        return [name for name, (_, still) in self._turns.items() if still >= looks]


@dataclass(slots=True)
class FileWatch:
    """Checks that SQLite files are still those that were opened, and sound.

    deep : bool — whether to read the whole files now and then; one process of an installation does

    Each file is opened once and stays open until `close`: to close any handle of a file lets go of all locks that this
    process has on it (fcntl(2)), SQLite's among them, and the next process that looks in and leaves would take itself
    for the last one and delete the write-ahead log in use.
    """

    paths: Sequence[Path]
    deep: bool
    _known: Mapping[Path, tuple[int, int]] = field(init=False)
    _handles: Mapping[Path, int] = field(init=False)
    _due_s: float = field(init=False)

    def __post_init__(self) -> None:
        self._known = {path: _identity(path) for path in self.paths if path.exists()}
        self._handles = {path: os.open(path, os.O_RDONLY | os.O_CLOEXEC) for path in self._known}
        self._due_s = time.monotonic() + DEEP_S

    def damage(self) -> str | None:
        """What is wrong with a file, in one line; None while all are sound."""
        for path, known in self._known.items():
            if not path.exists():
                return words()("store.was_removed_while_it_was_in", path=path.name)
            if _identity(path) != known:
                return words()("store.was_replaced_while_it_was_in", path=path.name)
            if not _has_header(self._handles[path]):
                return words()("store.is_damaged_it_does_not_begin", path=path.name)
        if not self.deep or time.monotonic() < self._due_s:
            return None
        began = time.monotonic()
        found = next((said for path in self._known if (said := unsound(path)) is not None), None)
        self._due_s = time.monotonic() + max(DEEP_S, (time.monotonic() - began) / DEEP_SHARE)
        return found

    def close(self) -> None:
        """Close the files, which releases this process's locks on them too: call it after everything else."""
        for handle in self._handles.values():
            os.close(handle)
        self._handles = {}
        self._known = {}


def _identity(path: Path) -> tuple[int, int]:
    try:
        status = path.stat()
    except OSError:
        return (0, 0)
    return status.st_dev, status.st_ino


def _has_header(handle: int) -> bool:
    """Whether a file begins like an SQLite database; True where it cannot be read at the moment."""
    try:
        return os.pread(handle, len(MAGIC), 0) == MAGIC
    except OSError:
        return True


MAGIC = b"SQLite format 3\0"
DAMAGED = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})


def unsound(path: Path) -> str | None:
    """What an integrity check of an SQLite file finds; None where it is sound, or cannot be checked at the moment."""
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)) as connection:
            found = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    except sqlite3.DatabaseError as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        return words()("store.is_damaged_2", path=path.name, error=str(error)) if code in DAMAGED else None
    return None if found == "ok" else words()("store.is_damaged", path=path.name, found=" ".join(found.split())[:300])


def tell_supervisor(state: str) -> None:
    """Send a line to the service manager's notification socket (sd_notify(3)), if there is one."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        try:
            line.connect("\0" + address[1:] if address.startswith("@") else address)
            line.send(state.encode())
        except OSError:
            return
