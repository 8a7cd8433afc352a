"""Backups of a running installation: databases copied while in use, files, and a manifest to verify them.

A backup is a folder: manifest.json, ledger.db, readings.db where readings live in a file, and config/ with everything
of the installation's folder that is not a database. A time-series server keeps its own backups; what waits for it is
in outbox/.
"""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from collector.alone import alone
from collector.config.settings import Installation
from collector.store.ledger import SqlLedger
from collector.store.ledger_copy import Tell, begun_from, copy_ledger, untold
from collector.store.open import SQLITE, look_at_ledger, open_ledger, open_store
from collector.store.outbox import Outbox, readings_in
from collector.store.sqlite_file import back_up, move_aside_if_corrupt
from forecaster.decoding.typed import from_json
from forecaster.domain.errors import StoreRefused, StoreUnavailable, UsageError
from forecaster.texts.catalogue import Said, words

MANIFEST = "manifest.json"
READINGS, LEDGER, CONFIG, OUTBOX = "readings.db", "ledger.db", "config", "outbox"
OWN_KEYS = ("link-key", "push-key.pem")
"""Files that the program makes for itself; they are restored beside the settings, where it finds them too."""
RESTORING = "restoring-"
"""Begins the name of a backup's ledger while it is copied into a server; the rest is of its SHA-256."""

LEFT_OUT = ("outlast-collect", "outlast-forecast", "outlast-ballast", RESTORING)
"""Files that are not backed up: locks, the disk space reserved for alarms, and what a restore works with."""
PART, HALF = ".part", "ledger.db.part"
"""A backup that is not done yet, and in it a ledger that is not."""

NAME = "outlast-%Y%m%dT%H%M%SZ"
COUNTED = {READINGS: ("reading",), LEDGER: ("events", "transitions", "tests", "tokens")}


class FileMark(msgspec.Struct, frozen=True):
    """The expected content of a backup's file: its SHA-256 and, for a database, the rows of each table."""

    sha256: str
    rows: dict[str, int]


class Backup(msgspec.Struct, frozen=True):
    """The manifest. taken_ms : int — UTC milliseconds; files by path within the folder."""

    version: int
    taken_ms: int
    store_url: str
    files: dict[str, FileMark]


def take_backup(installation: Installation, target: Path, now_ms: int, tell: Tell = untold) -> tuple[Path, Backup]:
    """Copy a running installation into a new folder under `target`, and verify the copy.

    A ledger on a server may take hours: where an earlier backup into `target` was cut in it, its copy goes on.
    tell : called with the rows of the ledger's long tables copied so far, and how many there are
    Returns the folder and its manifest. Errors: StoreUnavailable (disk, lock), StoreRefused (the copy is not sound).
    """
    folder = target / datetime.fromtimestamp(now_ms / 1000, UTC).strftime(NAME)
    if folder.exists():
        raise UsageError(Said("usage.is_there_already", folder=folder), Said("usage.wait_a_second_or_name_another"))
    partial = folder.with_name(folder.name + PART)
    try:
        target.mkdir(parents=True, exist_ok=True)
        with alone(target):  # a backup that another process is taking was not cut
            _take_up(target, partial)
            _copy_ledger_to(installation.ledger_url, partial / LEDGER, tell)
            _copy_the_rest(installation, partial)
            backup = Backup(1, now_ms, installation.store.url, _marks(partial))
            (partial / MANIFEST).write_bytes(msgspec.json.format(msgspec.json.encode(backup)))
            partial.rename(folder)
    except OSError as error:
        raise StoreUnavailable(
            words()("store.the_backup_cannot_be_written", folder=folder, value=error.strerror or error)
        ) from error
    return folder, verify(folder)


def _take_up(target: Path, partial: Path) -> None:
    """An empty folder for a backup, but for the half copy of a ledger that a backup before it left."""
    lefts = sorted(target.glob(f"outlast-*Z{PART}"), reverse=True)
    begun = next((left for left in lefts if (left / HALF).exists()), None)
    for left in lefts:
        if left != begun:
            shutil.rmtree(left)
    if begun is None:
        partial.mkdir(mode=0o700)
        return
    begun.rename(partial)
    for entry in partial.iterdir():
        if entry.is_dir():
            shutil.rmtree(entry)
        elif not entry.name.startswith(HALF):
            entry.unlink()


def _copy_ledger_to(url: str, path: Path, tell: Tell) -> None:
    if url.startswith(SQLITE):
        back_up(Path(url.removeprefix(SQLITE)), path)
        return
    half = path.with_name(HALF)
    with closing(look_at_ledger(url)) as source:
        _copy_into(source, half, tell)
    half.rename(path)


def _copy_into(source: SqlLedger, half: Path, tell: Tell) -> None:
    """Copy a ledger into a file, or go on with that; a file that is no half copy of it is made anew."""
    if not _goes_on(source, half):
        for left in half.parent.glob(f"{HALF}*"):
            left.unlink()
    with closing(open_ledger(f"{SQLITE}{half}", owner=False, half=True)) as target:
        assert isinstance(target, SqlLedger)
        copy_ledger(source, target, tell)


def _goes_on(source: SqlLedger, half: Path) -> bool:
    """Whether a file is a sound half copy of a ledger."""
    if not half.exists() or move_aside_if_corrupt(half, "half") is not None:
        return False
    with closing(open_ledger(f"{SQLITE}{half}", owner=False, half=True)) as target:
        assert isinstance(target, SqlLedger)
        return begun_from(source, target) is not None


def _copy_the_rest(installation: Installation, partial: Path) -> None:
    """Readings, what waits for a server, settings. After the ledger: an engine folds again what is newer than it."""
    if installation.store.url.startswith(SQLITE):
        back_up(Path(installation.store.url.removeprefix(SQLITE)), partial / READINGS)
    for waiting in sorted(installation.store.outbox.glob("*.db")):
        (partial / OUTBOX).mkdir(exist_ok=True)
        back_up(waiting, partial / OUTBOX / waiting.name)
    _copy_config(installation, partial / CONFIG)


def _copy_config(installation: Installation, to: Path) -> None:
    """Copy settings, sites and secrets; databases and the outbox are copied separately."""
    left_out = (*(path.name for path in installation.databases), *LEFT_OUT)
    to.mkdir()
    keys = [path for name in OWN_KEYS if (path := installation.own_file(name)).is_file()]
    for entry in sorted({*installation.folder.iterdir(), *keys}):
        if entry.is_dir() and entry.name == "sites":
            shutil.copytree(entry, to / entry.name)
        elif entry.is_file() and not entry.name.startswith(left_out):
            shutil.copy2(entry, to / entry.name)


def _marks(folder: Path) -> dict[str, FileMark]:
    files = sorted(p for p in folder.rglob("*") if p.is_file() and p.name != MANIFEST)
    return {str(p.relative_to(folder)): FileMark(_sha256(p), _rows(p)) for p in files}


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _rows(path: Path) -> dict[str, int]:
    tables = ("waiting",) if path.parent.name == OUTBOX else COUNTED.get(path.name, ())
    if not tables:
        return {}
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
    try:
        found = str(connection.execute("PRAGMA integrity_check(1)").fetchone()[0])
        if found != "ok":
            raise StoreRefused(words()("store.of_the_backup_is_not_sound", path=path.name, found=found))
        return {name: int(connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0]) for name in tables}
    except sqlite3.Error as error:
        raise StoreRefused(words()("store.of_the_backup_cannot_be_read", path=path.name, error=str(error))) from error
    finally:
        connection.close()


def verify(folder: Path) -> Backup:
    """Compare every file of a backup with the manifest. StoreRefused where they differ."""
    try:
        backup = from_json((folder / MANIFEST).read_bytes(), Backup)
    except (OSError, msgspec.DecodeError) as error:
        raise StoreRefused(
            words()("store.is_no_backup_cannot_be_read", folder=folder, manifest=MANIFEST, error=str(error))
        ) from error
    for name, mark in backup.files.items():
        path = folder / name
        if not path.is_file():
            raise StoreRefused(words()("store.lacks", folder=folder, name=name))
        if _sha256(path) != mark.sha256 or _rows(path) != mark.rows:
            raise StoreRefused(words()("store.is_not_what_was_backed_up", path=path))
    return backup


def thin(target: Path, keep: int) -> list[Path]:
    """Remove all but the newest `keep` backups in a folder. Returns the removed ones."""
    found = sorted(p for p in target.glob("outlast-*Z") if (p / MANIFEST).is_file())
    old = found[: max(0, len(found) - keep)]
    for path in old:
        shutil.rmtree(path)
    return old


def restore(
    folder: Path, installation: Installation, now_ms: int, only: str | None = None, tell: Tell = untold
) -> list[str]:
    """Restore the databases of a backup into an installation that is not running. Returns lines on what was done.

    A ledger on a server, of which the copy was cut, is taken up where that stood; tell: as in `take_backup`.
    only : "readings" or "ledger"; None: both, and the outbox
    Existing databases are moved aside, never deleted; existing settings and sites are not changed.
    Errors: StoreRefused (the backup is not sound), StoreUnavailable (disk, server),
    UsageError (a running process, a ledger that is not empty).
    """
    backup = verify(folder)
    done = []
    stamp = datetime.fromtimestamp(now_ms / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
    try:
        if only != "ledger":
            done += _restore_readings(folder, backup, installation, stamp)
            done += _requeue(sorted((folder / OUTBOX).glob("*.db")), installation, now_ms)
        if only != "readings":
            done += _restore_ledger(folder, backup, installation, stamp, tell)
    except OSError as error:
        raise StoreUnavailable(
            words()("store.the_backup_cannot_be_restored", folder=folder, value=error.strerror or error)
        ) from error
    return done + _differing(folder / CONFIG, installation.folder)


def _restore_readings(folder: Path, backup: Backup, installation: Installation, stamp: str) -> list[str]:
    if READINGS not in backup.files:
        return []
    if installation.store.url.startswith(SQLITE):
        return _put(folder / READINGS, Path(installation.store.url.removeprefix(SQLITE)), stamp)
    return [words()("store.readings_were_left_out_they_live")]


def _restore_ledger(folder: Path, backup: Backup, installation: Installation, stamp: str, tell: Tell) -> list[str]:
    if installation.ledger_url.startswith(SQLITE):
        return _put(folder / LEDGER, Path(installation.ledger_url.removeprefix(SQLITE)), stamp)
    working = installation.own_file(RESTORING + backup.files[LEDGER].sha256[:16])
    try:
        _copy_alone(folder / LEDGER, working)
        with (
            closing(open_ledger(f"{SQLITE}{working}", owner=False)) as source,
            closing(open_ledger(installation.ledger_url, half=True)) as target,
        ):
            assert isinstance(source, SqlLedger)
            assert isinstance(target, SqlLedger)
            rows = copy_ledger(source, target, tell)
    finally:
        working.unlink(missing_ok=True)
    return [words()("store.ledger_rows_copied", sum=sum(rows.values()))]


def _copy_alone(database: Path, working: Path) -> None:
    """A copy of a backup's database to work with: opening may bring it up to date, and the backup is to stay sound."""
    working.parent.mkdir(parents=True, exist_ok=True)
    for suffix in ("-wal", "-shm"):
        working.with_name(working.name + suffix).unlink(missing_ok=True)
    shutil.copyfile(database, working)


def _requeue(waiting: list[Path], installation: Installation, now_ms: int) -> list[str]:
    """Queue the readings of the backup's outbox again; those that the server has by now change nothing."""
    done = []
    for path in waiting:
        held = readings_in(path)
        if not held:
            continue
        if installation.store.url.startswith(SQLITE):
            store = open_store(installation.store.url)
            try:
                store.append(held)
            finally:
                store.close()
            done.append(words()("store.readings_that_waited_for_a_server", count=len(held)))
            continue
        target = installation.store.outbox / path.name
        _require_stopped(target)
        outbox = Outbox(target, round(installation.store.outbox_limit_mb * 2**20))
        try:
            outbox.put(held, now_ms * 1000)
        finally:
            outbox.close()
        done.append(words()("store.readings_that_waited_for_the_server", count=len(held), target=target.name))
    return done


def _put(copy: Path, path: Path, stamp: str) -> list[str]:
    _require_stopped(path)
    done = []
    for suffix in ("", "-wal", "-shm"):
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(part.with_name(f"{path.name}.before-{stamp}{suffix}"))
            done = [words()("store.that_stood_there_is_now_before", path=path.name, stamp=stamp)]
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(path.name + ".part")
    shutil.copyfile(copy, partial)
    partial.replace(path)
    return [*done, words()("store.restored", path=path)]


def _require_stopped(path: Path) -> None:
    """UsageError where a process is running: in write-ahead mode each holds a lock that excludes an exclusive one."""
    if not path.exists():
        return
    connection = sqlite3.connect(path, timeout=0.2, isolation_level=None)
    try:
        connection.execute("PRAGMA locking_mode=EXCLUSIVE").fetchall()
        connection.execute("BEGIN EXCLUSIVE")
        connection.execute("ROLLBACK")
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY:
            raise UsageError(Said("usage.is_in_use", path=path), Said("usage.stop_outlast_before_restoring")) from error
        raise StoreUnavailable(f"{path}: {error}") from error
    except sqlite3.DatabaseError:
        return  # damaged: that is why it is being replaced
    finally:
        connection.close()


def put_settings(folder: Path, to: Path) -> None:
    """Copy those settings, sites and secrets of a backup that are missing in an installation's folder."""
    verify(folder)
    for path in sorted(p for p in (folder / CONFIG).rglob("*") if p.is_file()):
        target = to / path.relative_to(folder / CONFIG)
        if not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, target)


def _differing(config: Path, folder: Path) -> list[str]:
    pairs = [(p, folder / p.relative_to(config)) for p in sorted(config.rglob("*")) if p.is_file()]
    return [
        words()("store.differs_from_the_backup_and_was", to=to) for p, to in pairs if to.read_bytes() != p.read_bytes()
    ]
