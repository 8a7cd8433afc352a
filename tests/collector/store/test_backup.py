"""Backups: taken while the store is written to, verified, restored equal; a copy taken at any moment opens whole."""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import signal
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path

import pytest

from collector.config.settings import Installation, load_installation
from collector.store.backup import put_settings, restore, take_backup, thin, verify
from collector.store.ledger import SqlLedger
from collector.store.ledger_copy import copy_ledger
from collector.store.open import open_ledger, open_store
from collector.store.outbox import Outbox
from collector.store.transfer import move_readings
from forecaster.domain.errors import StoreRefused, StoreUnavailable, UsageError
from forecaster.domain.records import Delivery
from tests.contracts.ledger_contract import run
from tests.contracts.store_contract import T0, content, power
from tests.engines import PATIENCE_S, running_postgres, wait_until

NOW_MS = T0 + 86_400_000
SITE = """id = "larkspur"
name = "Larkspur Lane cellar"
timezone = "America/Chicago"
[pump]
rated_voltage_v = 115
rated_power_w = 480
[pack]
capacity_wh = 1024
[[channels]]
quantity = "pump_power"
topic = "cellar/plug"
unit = "W"
"""


@pytest.fixture
def installation(tmp_path: Path) -> Installation:
    folder = tmp_path / "house"
    (folder / "sites").mkdir(parents=True)
    (folder / "outlast.toml").write_text('[store]\nurl = "sqlite:///outlast.db"\n')
    (folder / "sites" / "larkspur.toml").write_text(SITE)
    (folder / "broker-password").write_text("secret\n")
    return load_installation(folder)


def filled(installation: Installation, readings: int = 1000) -> None:
    with closing(open_store(installation.store.url)) as store, closing(open_ledger(installation.ledger_url)) as ledger:
        store.append([power(i, float(i)) for i in range(readings)])
        ledger.record([run(60.0 * i) for i in range(50)])


def test_a_backup_under_way_holds_what_was_there_and_equals_the_source_at_rest(
    installation: Installation, tmp_path: Path
) -> None:
    filled(installation)
    writing = threading.Event()
    stop = threading.Event()

    def write() -> None:
        with closing(open_store(installation.store.url, owner=False)) as store:
            for i in range(100_000):
                store.append([power(5000 + i, 1.0)])
                writing.set()
                if stop.is_set():
                    return

    writer = threading.Thread(target=write)
    writer.start()
    assert writing.wait(PATIENCE_S)
    folder, manifest = take_backup(installation, tmp_path / "backups", NOW_MS)
    stop.set()
    writer.join()
    assert manifest.files["readings.db"].rows["reading"] > 1000
    assert (folder / "config" / "sites" / "larkspur.toml").read_text() == SITE
    folder, _ = take_backup(installation, tmp_path / "backups", NOW_MS + 1000)
    with (
        closing(open_store(installation.store.url, owner=False)) as source,
        closing(open_store(f"sqlite:///{folder / 'readings.db'}", owner=False)) as copy,
    ):
        assert content(copy) == content(source)


def test_a_backup_may_be_named_from_where_one_stands(
    installation: Installation, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As typed: `outlast backup backups`."""
    filled(installation)
    monkeypatch.chdir(tmp_path)
    folder, _ = take_backup(installation, Path("backups"), NOW_MS)
    assert folder.parent == Path("backups")
    assert verify(folder.absolute()).files["ledger.db"].rows


def test_a_restored_installation_equals_its_source(installation: Installation, tmp_path: Path) -> None:
    filled(installation)
    folder, _ = take_backup(installation, tmp_path / "backups", NOW_MS)
    new = tmp_path / "new board"
    put_settings(folder, new)
    copied = load_installation(new)
    done = restore(folder, copied, NOW_MS)
    assert done == [f"{new / 'outlast.db'} restored", f"{new / 'outlast-ledger.db'} restored"]
    assert (new / "broker-password").read_text() == "secret\n"
    for url, other in ((copied.store.url, installation.store.url),):
        with closing(open_store(url)) as here, closing(open_store(other)) as there:
            assert content(here) == content(there)
    with closing(open_ledger(copied.ledger_url)) as here, closing(open_ledger(installation.ledger_url)) as there:
        assert here.runs("larkspur", 0, NOW_MS, 100) == there.runs("larkspur", 0, NOW_MS, 100)


def test_a_ledger_alone_is_brought_back_under_an_older_release(installation: Installation, tmp_path: Path) -> None:
    """As after an upgrade that is taken back: the newer ledger is moved aside, readings since then stay."""
    filled(installation)
    folder, _ = take_backup(installation, tmp_path / "backups", NOW_MS)
    ledger_file = Path(installation.ledger_url.removeprefix("sqlite:///"))
    with closing(sqlite3.connect(ledger_file)) as db:
        db.execute("UPDATE schema SET version = 99")
        db.commit()
    with closing(open_store(installation.store.url)) as store:
        store.append([power(99_999, 7.0)])
    with pytest.raises(StoreUnavailable, match=r"newer release \(version 99, .* restore a backup from before"):
        open_ledger(installation.ledger_url)
    done = restore(folder, installation, NOW_MS, "ledger")
    assert [line for line in done if "restored" in line] == [f"{ledger_file} restored"]
    with closing(open_ledger(installation.ledger_url)) as ledger, closing(open_store(installation.store.url)) as store:
        assert len(ledger.runs("larkspur", 0, NOW_MS, 100).runs) == 50
        assert store.count() == 1001
    assert len(list(installation.folder.glob("*ledger.db.before-*Z"))) == 1


def test_what_stands_in_the_way_is_moved_aside(installation: Installation, tmp_path: Path) -> None:
    filled(installation)
    folder, _ = take_backup(installation, tmp_path / "backups", NOW_MS)
    with closing(open_store(installation.store.url)) as store:
        store.append([power(99_999, 7.0)])
    (installation.folder / "sites" / "larkspur.toml").write_text(SITE.replace("1024", "2048"))
    done = restore(folder, installation, NOW_MS)
    assert any("left as it is" in line and "larkspur.toml" in line for line in done)
    aside = next(installation.folder.glob("outlast.db.before-*Z"))
    with closing(open_store(f"sqlite:///{aside}")) as old, closing(open_store(installation.store.url)) as new:
        assert (old.count(), new.count()) == (1001, 1000)


def test_restoring_under_a_running_process_is_refused(installation: Installation, tmp_path: Path) -> None:
    filled(installation)
    folder, _ = take_backup(installation, tmp_path / "backups", NOW_MS)
    with closing(open_store(installation.store.url)) as store:
        store.append([power(99_999, 7.0)])
        with pytest.raises(UsageError, match="stop outlast before restoring"):
            restore(folder, installation, NOW_MS)
        assert store.count() == 1001


@pytest.mark.parametrize("harm", ["cut", "flip", "lose", "forge"])
def test_a_harmed_backup_is_refused(installation: Installation, tmp_path: Path, harm: str) -> None:
    filled(installation)
    folder, _ = take_backup(installation, tmp_path / "backups", NOW_MS)
    file = folder / "readings.db"
    if harm == "cut":
        file.write_bytes(file.read_bytes()[:-4096])
    elif harm == "flip":
        data = bytearray(file.read_bytes())
        data[len(data) // 2] ^= 0xFF
        file.write_bytes(bytes(data))
    elif harm == "lose":
        file.unlink()
    else:
        (folder / "manifest.json").write_text("{}")
    with pytest.raises(StoreRefused):
        verify(folder)
    with pytest.raises(StoreRefused):
        restore(folder, installation, NOW_MS)


def test_old_backups_are_thinned(installation: Installation, tmp_path: Path) -> None:
    filled(installation, 10)
    taken = [take_backup(installation, tmp_path / "backups", NOW_MS + 1000 * n)[0] for n in range(5)]
    assert thin(tmp_path / "backups", 2) == taken[:3]
    assert sorted((tmp_path / "backups").iterdir()) == taken[3:]


def write_for_ever(path: Path, acknowledged: Synchronized[int]) -> None:
    """Store batch after batch, counting the rows that the store has taken on itself."""
    store = open_store(f"sqlite:///{path}")
    while True:
        start = acknowledged.value
        store.append([power(start + i, 1.0) for i in range(1 + start % 40)])
        acknowledged.value = start + 1 + start % 40


def copies_while_writing(path: Path, folder: Path, wanted: int) -> Iterator[tuple[Path, int]]:
    """The database's files as they stand at moments of no choice, and the rows acknowledged by then.

    The writing process is frozen but for those moments, so that each copy is one moment's.
    """
    context = multiprocessing.get_context("spawn")
    acknowledged: Synchronized[int] = context.Value("q", 0)
    writer = context.Process(target=write_for_ever, args=(path, acknowledged), daemon=True)
    writer.start()
    assert writer.pid is not None
    moments = random.Random(5)
    wait_until(lambda: acknowledged.value > 0, "the writer")
    try:
        for number in range(wanted):
            os.kill(writer.pid, signal.SIGCONT)
            time.sleep(moments.uniform(0.0, 0.02))
            os.kill(writer.pid, signal.SIGSTOP)
            copy = folder / f"copy-{number}" / path.name
            copy.parent.mkdir()
            for suffix in ("", "-wal"):
                part = path.with_name(path.name + suffix)
                if part.exists():
                    shutil.copyfile(part, copy.with_name(copy.name + suffix))
            yield copy, acknowledged.get_obj().value  # past the lock, which a frozen writer may hold
            shutil.rmtree(copy.parent)
    finally:
        os.kill(writer.pid, signal.SIGCONT)
        writer.kill()
        writer.join()


@pytest.mark.parametrize("wanted", [20, pytest.param(1000, marks=[pytest.mark.long, pytest.mark.timeout(1200)])])
def test_after_a_power_cut_every_acknowledged_row_is_there(tmp_path: Path, wanted: int) -> None:
    """What the disk held at a moment of no choice opens, is sound, and holds every row acknowledged before it."""
    path = tmp_path / "outlast.db"
    with closing(open_store(f"sqlite:///{path}")) as store:
        store.append([power(-1, 1.0)])
    seen = 0
    for copy, acknowledged in copies_while_writing(path, tmp_path, wanted):
        with closing(sqlite3.connect(copy)) as connection:
            assert connection.execute("PRAGMA integrity_check(1)").fetchone()[0] == "ok"
        with closing(open_store(f"sqlite:///{copy}")) as opened:
            assert opened.health().says != ""
            assert opened.count() >= acknowledged
        seen += 1
    assert seen == wanted


def test_a_ledger_moves_to_postgresql_whole_and_counts_on(tmp_path: Path) -> None:
    with running_postgres() as postgres:
        source, target = open_ledger(f"sqlite:///{tmp_path / 'ledger.db'}"), open_ledger(postgres.url)
        assert isinstance(source, SqlLedger)
        assert isinstance(target, SqlLedger)
        source.record([run(60.0 * i) for i in range(12_000)])
        first = source.request("acknowledge", "larkspur:mains-lost:1", "{}", T0)
        source.commit_transitions([], [Delivery("k", "mail", "owner", "larkspur", "{}", T0, T0, NOW_MS)], [])
        counts = copy_ledger(source, target)
        assert counts["events"] == 12_000
        assert target.runs("larkspur", 0, NOW_MS * 2, 20_000) == source.runs("larkspur", 0, NOW_MS * 2, 20_000)
        assert [d.key for d in target.due("mail", NOW_MS)] == ["k"]
        assert target.request("acknowledge", "larkspur:mains-lost:1", "{}", T0) > first
        with pytest.raises(UsageError, match="name an empty one"):
            copy_ledger(source, target)
        source.close()
        target.close()


def test_a_move_is_taken_up_where_it_was_cut(tmp_path: Path) -> None:
    source, target = (open_store(f"sqlite:///{tmp_path / name}.db") for name in ("from", "to"))
    source.append([power(i, float(i)) for i in range(12_000)])
    kept: list[tuple[str, int]] = []
    told: list[tuple[int, int]] = []

    def tell(copied: int, there_are: int) -> None:
        told.append((copied, there_are))

    def cut_short(cursor: str, copied: int) -> None:
        kept.append((cursor, copied))
        if len(kept) == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        move_readings(source, target, None, cut_short, tell)
    assert target.count() == 10_000
    moved = move_readings(source, target, kept[-1][0], lambda *at: kept.append(at), tell, kept[-1][1])
    assert (moved.copied, moved.missing) == (2000, ())
    assert told == [(5000, 12_000), (12_000, 12_000)]
    assert content(source) == content(target)
    source.close()
    target.close()


def test_what_waits_for_a_server_is_backed_up_and_waits_again(installation: Installation, tmp_path: Path) -> None:
    """In: 500 readings in the outbox of a server that is away. Out: 500 wait after a restore, in their order."""
    filled(installation, 0)
    served = replace(installation, store=installation.store.model_copy(update={"url": "influx+http://127.0.0.1:9/x"}))
    waiting = [power(i, float(i)) for i in range(500)]
    outbox = Outbox(served.store.outbox / "collect.db", 1 << 30)
    outbox.put(waiting[:300], T0 * 1000)
    outbox.put(waiting[300:], T0 * 1000)
    folder, manifest = take_backup(served, tmp_path / "backups", NOW_MS)
    assert manifest.files["outbox/collect.db"].rows == {"waiting": 500}
    with pytest.raises(UsageError, match="in use"):
        restore(folder, served, NOW_MS)
    outbox.confirm(2**62)
    outbox.close()
    done = restore(folder, served, NOW_MS)
    assert "500 readings that waited for the server wait again in collect.db" in done
    again = Outbox(served.store.outbox / "collect.db", 1 << 30)
    assert [w.reading for w in again.peek(1000)] == waiting
    assert again.peek(1)[0].stamp_us >= NOW_MS * 1000, "a stamp of its own time: followers have passed the old ones"
    again.close()
    done = restore(folder, installation, NOW_MS)
    assert "500 readings that waited for a server were stored" in done
    with closing(open_store(installation.store.url)) as store:
        assert store.count() == 500
