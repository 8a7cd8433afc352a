"""An SQLite file opened with care: checked, moved aside when corrupt, durable on commit, backed up while in use."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from forecaster.domain.errors import StoreError, StoreRefused, StoreUnavailable
from forecaster.texts.catalogue import words

BUSY_S = 5.0
"""How long a connection waits for another one's lock [s] before it says so."""

CORRUPT = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def connect(path: Path) -> sqlite3.Connection:
    """A connection in autocommit mode with the settings that durability needs; for any one thread at a time.

    A new file is set up for incremental vacuum and a write-ahead log; an existing one is not changed, so that
    connecting takes no lock.
    """
    _keep_private(path)
    connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    try:
        if connection.execute("PRAGMA page_count").fetchone()[0] == 0:
            connection.execute("PRAGMA auto_vacuum=INCREMENTAL")  # before the first table, or never
        if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            connection.execute("PRAGMA journal_mode=WAL").fetchall()
        connection.execute("PRAGMA synchronous=FULL")  # NORMAL may roll acknowledged commits back when the power goes
        connection.execute("PRAGMA foreign_keys=ON")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _keep_private(path: Path) -> None:
    """Make a new file readable by its owner only; an older release's that everybody could read, by its group at most.

    The log and index files beside a database inherit its mode.
    """
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    except FileExistsError:
        for part in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
            with suppress(OSError):  # not ours to change, or gone
                mode = part.stat().st_mode
                if mode & 0o007:
                    part.chmod(mode & 0o770)
    except OSError:
        return  # the folder is not there, or cannot be written: opening tells it


@dataclass(frozen=True, slots=True)
class MovedAside:
    """A database that could not be used: where it lies now, and what was done, in words."""

    to: Path
    says: str


def move_aside_if_corrupt(path: Path, stamp: str) -> MovedAside | None:
    """Look the file over; a corrupt one is moved aside, so that a fresh one can be started.

    stamp : str — makes the name of the moved file its own
    Returns what was done; None when the file is sound or not there yet.
    Errors: StoreUnavailable when the file cannot be opened at all.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    if not path.exists():
        return None
    problem = _problem(path)
    if problem is None:
        return None
    aside = path.with_name(f"{path.name}.corrupt-{stamp}")
    for suffix in ("", "-wal", "-shm"):
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(aside.with_name(aside.name + suffix))
    return MovedAside(
        aside, words()("store.was_corrupt_it_was_moved_to", path=path.name, problem=problem, aside=aside.name)
    )


def _problem(path: Path) -> str | None:
    if size_bytes(path) == 0:
        return words()("store.it_was_empty")
    try:
        connection = connect(path)
        try:
            found = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
        finally:
            connection.close()
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode & 0xFF in CORRUPT:
            return str(error)
        raise store_error(error, path) from error
    return None if found == "ok" else " ".join(found.split())[:300]


def store_error(error: sqlite3.Error | OverflowError, path: Path) -> StoreError:
    """An SQLite error as StoreUnavailable (retry later) or StoreRefused (it will never work)."""
    code = getattr(error, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return StoreUnavailable(words()("store.is_locked_by_another_program", path=path.name))
    if primary == sqlite3.SQLITE_FULL:
        return StoreUnavailable(
            words()("store.the_disk_is_full_bytes_free", path=path.name, free_bytes=free_bytes(path))
        )
    if primary in CORRUPT:
        return StoreUnavailable(words()("store.is_corrupt_restart_to_have_it", path=path.name, error=str(error)))
    if isinstance(error, sqlite3.OperationalError):
        return StoreUnavailable(f"{path.name}: {error}")
    return StoreRefused(f"{path.name}: {error}")


def newer(what: str, found: int, known: int) -> str:
    """A line that says that a file was written by a newer release, and what to do."""
    return words()("store.was_written_by_a_newer_release", what=what, found=found, known=known)


def free_bytes(path: Path) -> int | None:
    """Free bytes on the file's disk; None where that cannot be found out."""
    try:
        return shutil.disk_usage(path.parent).free
    except OSError:
        return None


def size_bytes(path: Path) -> int:
    """Bytes on disk of the file and its write-ahead log."""
    return _bytes_of(path) + wal_bytes(path)


def wal_bytes(path: Path) -> int:
    """Bytes of the file's write-ahead log."""
    return _bytes_of(path.with_name(path.name + "-wal"))


def _bytes_of(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0


def back_up(path: Path, target: Path) -> None:
    """Copy a database that is in use to `target`, page by page, without stopping its writer.

    Errors: StoreUnavailable.
    """
    if not path.exists():
        raise StoreUnavailable(words()("store.does_not_exist", path=path))
    partial = target.with_name(target.name + ".part")
    partial.unlink(missing_ok=True)
    try:
        source, copy = connect(path), sqlite3.connect(partial)
        try:
            source.backup(copy, pages=4096, sleep=0.005)
        finally:
            copy.close()
            source.close()
    except sqlite3.Error as error:
        raise store_error(error, path) from error
    partial.replace(target)
