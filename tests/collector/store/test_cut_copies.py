"""Copies that take hours, killed in the middle on real servers: they go on where they stood, and end whole."""

from __future__ import annotations

import re
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import text

from collector.config.settings import load_installation
from collector.store.backup import take_backup, verify
from collector.store.ledger import SqlLedger
from collector.store.ledger_copy import STEP
from collector.store.open import open_ledger, open_store
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.records import StoredForecast
from tests.collector.store.test_backup import SITE
from tests.contracts.ledger_contract import T0, alarm, delivery, run, transition
from tests.contracts.ledger_versions import held, make_older
from tests.contracts.store_contract import power
from tests.engines import ROOT, Postgres, running_influx

RUNS = 4 * STEP
FORECASTS = STEP + 1
MODULES = {"restore": "backup"}
"""Commands that stand in the module of another."""

KILLED = """
import os, signal, sys
from api.commands import {module} as command
from api.cli import main

told = command.tell_progress
def kill_at_the_second(*words, **how):
    told(*words, **how)
    kill_at_the_second.times += 1
    if kill_at_the_second.times == 2:
        os.kill(os.getpid(), signal.SIGKILL)
kill_at_the_second.times = 0
if sys.argv[1] == "killed":
    command.tell_progress = kill_at_the_second
sys.argv[1:2] = []
sys.exit(main())
"""
"""The program; asked for `killed`, it is killed as soon as it has told the second time how far it is."""


def outlast(folder: Path, name: str, how: str, *words: str) -> subprocess.CompletedProcess[str]:
    """Run a command in a process of its own; how : "killed" amid its work, or "whole"."""
    program = KILLED.format(module=MODULES.get(name, name))
    command = [sys.executable, "-c", program, how, name, *words, "--config", str(folder)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == (-signal.SIGKILL if how == "killed" else 0), done.stderr
    return done


def installed(folder: Path, ledger: str) -> Path:
    (folder / "sites").mkdir(parents=True)
    (folder / "outlast.toml").write_text(f'[store]\nurl = "sqlite:///outlast.db"\nledger = "{ledger}"\n')
    (folder / "sites" / "larkspur.toml").write_text(SITE)
    with closing(open_store(f"sqlite:///{folder}/outlast.db")) as store:
        store.append([power(0, 1.0)])
    return folder


def opened(url: str) -> SqlLedger:
    made = open_ledger(url)
    assert isinstance(made, SqlLedger)
    return made


def fill(ledger: SqlLedger) -> None:
    ledger.record([run(60.0 * number) for number in range(RUNS)])
    ledger.publish([StoredForecast("larkspur", T0 + number, "{}") for number in range(FORECASTS)])
    ledger.commit_transitions([transition(alarm(0))], [delivery("first")], [])


def content(ledger: SqlLedger) -> dict[str, list[tuple[object, ...]]]:
    """All rows of the tables that were filled."""
    keys = {"events": "site, kind, start_ms", "forecasts": "site, issued_ms", "transitions": "id, revision",
            "deliveries": "key", "newest_forecasts": "site", "alarms": "id", "notes": "name"}  # fmt: skip
    with ledger.engine.connect() as connection:
        return {
            table: [tuple(row) for row in connection.execute(text(f"SELECT * FROM {table} ORDER BY {key}"))]
            for table, key in keys.items()
        }


def copied(said: str) -> list[int]:
    """How far each step was told to be."""
    return [int(number) for number in re.findall(r"^(\d+) of \d+ (?:readings|rows)", said, re.MULTILINE)]


def test_a_backup_that_was_killed_goes_on_and_is_the_ledger_of_its_end(url: str, tmp_path: Path) -> None:
    """In: killed after two of six steps; then runs told anew and late ones, alarms, a message sent. Out: all of it."""
    folder, target = installed(tmp_path / "house", url), tmp_path / "backups"
    with closing(opened(url)) as ledger:
        fill(ledger)
        killed = outlast(folder, "backup", "killed", str(target))
        assert copied(killed.stderr) == [STEP, 2 * STEP]
        ledger.record([run(60.0, 33.0), run(-60.0), run(0, site="airlie")])
        ledger.publish([StoredForecast("larkspur", T0 + FORECASTS, "{}"), StoredForecast("airlie", T0, "{}")])
        ledger.commit_transitions([transition(alarm(1))], [delivery("second")], [])
        done = outlast(folder, "backup", "whole", str(target))
        steps = copied(done.stderr)
        assert steps[0] == 3 * STEP, "what was copied is not copied again"
        assert [path.suffix for path in target.iterdir()] == [""], "nothing half is left"
        with closing(opened(f"sqlite:///{next(target.glob('outlast-*Z'))}/ledger.db")) as copy:
            assert content(copy) == content(ledger)


def test_a_backup_whose_server_goes_away_says_so_and_goes_on(url: str, postgres: Postgres, tmp_path: Path) -> None:
    """In: the server stopped after the first step; then the half copy damaged. Out: one line each time, then all."""
    house, target = load_installation(installed(tmp_path / "house", url)), tmp_path / "backups"
    steps: list[int] = []

    def stop(done: int, _rows: int) -> None:
        steps.append(done)
        postgres.stop()

    with closing(opened(url)) as ledger:
        fill(ledger)
        with pytest.raises(StoreUnavailable, match=r"^the copy of the ledger was cut: [^\n]*; run the same command"):
            take_backup(house, target, T0, stop)
        postgres.start()
        assert steps == [STEP]
        half = next(target.glob("*.part")) / "ledger.db.part"
        half.write_bytes(b"no database" * 1000)
        folder, _ = take_backup(house, target, T0 + 1000)
        assert {path.name for path in folder.iterdir()} == {"config", "ledger.db", "manifest.json", "readings.db"}
        with closing(opened(f"sqlite:///{folder}/ledger.db")) as copy:
            assert content(copy) == content(ledger)


def test_a_restore_that_was_killed_goes_on(url: str, postgres: Postgres, tmp_path: Path) -> None:
    """Into an empty ledger on another server; anybody else's rows in it are left alone."""
    folder, target = installed(tmp_path / "house", url), tmp_path / "backups"
    with closing(opened(url)) as ledger:
        fill(ledger)
        whole = content(ledger)
    outlast(folder, "backup", "whole", str(target))
    backup = str(next(target.iterdir()))
    there = postgres.empty_database("restored")
    other = installed(tmp_path / "other", there)
    assert copied(outlast(other, "restore", "killed", backup).stderr) == [STEP, 2 * STEP]
    with pytest.raises(StoreUnavailable, match="half a copy"):
        open_ledger(there)  # as a start does
    assert copied(outlast(other, "restore", "whole", backup).stderr)[0] == 3 * STEP
    with closing(opened(there)) as restored:
        assert content(restored) == whole
    refused = subprocess.run(
        [sys.executable, "-m", "api", "restore", backup, "--config", str(other)],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert refused.returncode == 2
    assert "name an empty one" in refused.stderr


def test_a_backup_of_an_older_ledger_is_as_it_was_after_its_restore(url: str, tmp_path: Path) -> None:
    """In: an SQLite ledger of version 10, backed up and restored into PostgreSQL. Out: all rows, the backup sound."""
    house = tmp_path / "house"
    folder, target = installed(house, f"sqlite:///{house}/ledger.db"), tmp_path / "backups"
    rows = make_older(f"sqlite:///{house}/ledger.db", "10")
    outlast(folder, "backup", "whole", str(target))
    backup = next(target.iterdir())
    other = installed(tmp_path / "other", url)
    outlast(other, "restore", "whole", str(backup))
    verify(backup)
    assert not list(other.glob("restoring-*"))
    with closing(opened(url)) as restored:
        assert held(restored.engine)["events"] == rows["events"]


def test_a_move_to_influxdb_that_was_killed_goes_on(tmp_path: Path) -> None:
    folder = installed(tmp_path / "house", f"sqlite:///{tmp_path}/house/ledger.db")
    readings = [power(number, float(number)) for number in range(4 * STEP)]
    with closing(open_store(f"sqlite:///{folder}/outlast.db")) as store:
        store.append(readings)
    (tmp_path / "influx").mkdir()
    with running_influx(tmp_path / "influx") as influx:
        to = ("--to", f"{influx.url}/moved".replace("//", "//mover:pump-room@"))
        assert copied(outlast(folder, "move", "killed", *to).stderr) == [STEP, 2 * STEP]
        with closing(sqlite3.connect(folder / "ledger.db")) as db, db:
            notes = dict(db.execute("SELECT name, value FROM notes WHERE name LIKE 'move to %'"))
            assert not [name for name in notes if "pump-room" in name]
            # a release before this one wrote the password down as well; what it began goes on
            db.execute("UPDATE notes SET name = replace(name, ':***@', ':pump-room@')")
        done = outlast(folder, "move", "whole", *to)
        with closing(sqlite3.connect(folder / "ledger.db")) as db:
            assert not db.execute("SELECT name FROM notes WHERE name LIKE '%pump-room%'").fetchall()
        assert copied(done.stderr)[0] > 2 * STEP
        assert f"{len(readings)} of" in done.stderr
        assert done.stdout.strip().endswith(f"the target holds {len(readings)} of 1 sites")
