"""Workers on the queue of studies, as real processes: killed, paused and let go, ended, cut off. No study is lost."""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import text

from tests.engines import Postgres, running_postgres, wait_until
from tests.faults.studied import PATIENCE_S, Studied, studied


@pytest.fixture(scope="module")
def postgres() -> Iterator[Postgres]:
    with running_postgres() as server:
        yield server


def pause_with_one_in_hand(house: Studied, worker: subprocess.Popen[bytes]) -> None:
    """Stop the only worker, not between two studies, where a kill would take nothing from anybody."""

    def paused() -> bool:
        worker.send_signal(signal.SIGSTOP)
        if house.seen().running == 1:
            return True
        worker.send_signal(signal.SIGCONT)
        return False

    wait_until(paused, "a study in hand", PATIENCE_S)


@pytest.mark.parametrize("sites", [24, pytest.param(1_000, marks=pytest.mark.slow)])
@pytest.mark.timeout(3000)
def test_of_two_workers_one_is_killed(tmp_path: Path, postgres: Postgres, sites: int) -> None:
    """In: as many studies as sites, and a worker killed amid them. Out: each is made, once or again, and none fails."""
    with studied(tmp_path, postgres, sites) as house:
        house.ask()
        first = house.start()
        house.await_done(sites // 4)
        pause_with_one_in_hand(house, first)
        house.start()
        first.send_signal(signal.SIGKILL)
        first.wait()
        house.await_done(sites)
        seen = house.seen()
        assert (seen.waiting, seen.running, seen.done, seen.failed) == (0, 0, sites, 0)
        assert seen.retried == 1, "what the killed one had in hand"
        assert house.made() == sites
        assert [member.role for member in house.ledger.members() if member.living] == ["study"]


@pytest.mark.slow  # pauses last until a worker is taken for dead
@pytest.mark.timeout(1800)
def test_a_paused_worker_ends_nothing_that_is_anothers(tmp_path: Path, postgres: Postgres) -> None:
    """In: a worker paused with a study in hand until another has it, then let go. Out: all made, nothing failed."""
    with studied(tmp_path, postgres, 12) as house:
        house.ask()
        first = house.start()
        house.await_done(2)
        first.send_signal(signal.SIGSTOP)
        house.start()
        house.await_done(11)
        wait_until(lambda: house.seen().retried + house.seen().done >= 12, "the study in hand, or given on", PATIENCE_S)
        first.send_signal(signal.SIGCONT)
        house.await_done(12)
        first.terminate()
        assert first.wait(PATIENCE_S) == 0
        seen = house.seen()
        assert (seen.done, seen.failed) == (12, 0)
        assert house.made() == 12


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_one_that_is_ended_gives_back_and_one_outlives_the_server(tmp_path: Path, postgres: Postgres) -> None:
    """In: PostgreSQL restarted amid studies, then the worker ended. Out: it goes on by itself, and all are made."""
    with studied(tmp_path, postgres, 12) as house:
        house.ask()
        worker = house.start()
        house.await_done(2)
        postgres.stop()
        postgres.start()
        house.await_done(12)
        assert house.made() == 12
        worker.terminate()
        assert worker.wait(PATIENCE_S) == 0
        assert house.seen().workers == 0
        assert "Traceback" not in house.said()


def test_a_study_that_cannot_be_made_leaves_the_old_one_and_says_why(tmp_path: Path, postgres: Postgres) -> None:
    """In: a ledger whose table of days refuses one site. Out: the others are made; that one waits to be tried again."""
    with studied(tmp_path, postgres, 3) as house:
        broken = "cellar-00001"
        with house.ledger.engine.begin() as connection:
            refused = f"site <> '{broken}' OR kind <> 'storm' OR made_ms = 0"
            connection.execute(text(f"ALTER TABLE studies ADD CHECK ({refused})"))
        house.ask()
        house.start()
        house.await_done(2)
        wait_until(lambda: house.seen().retried == 1, "the third to be put back", PATIENCE_S)
        record = house.ledger.study(broken, "storm")
        assert record is not None
        assert record.problem is not None
        assert record.made_ms == 0
        wait_until(lambda: "its study failed, attempt 1" in house.said(), "the log", PATIENCE_S)


@pytest.mark.slow
def test_a_service_that_is_ended_as_a_whole_fails_no_study(tmp_path: Path, postgres: Postgres) -> None:
    """In: SIGTERM to worker and child alike, as a supervisor sends it. Out: what is in hand is made, or given back."""
    with studied(tmp_path, postgres, 8) as house:
        house.ask()
        worker = house.start()
        house.await_done(1)
        os.killpg(worker.pid, signal.SIGTERM)
        assert worker.wait(PATIENCE_S) == 0
        seen = house.seen()
        assert (seen.running, seen.failed, seen.waiting + seen.done) == (0, 0, 8)
        assert "its study failed" not in house.said()
        with house.ledger.engine.connect() as connection:
            assert connection.execute(text("SELECT count(*) FROM studies WHERE problem IS NOT NULL")).scalar_one() == 0


def test_a_person_asks_from_the_command_line(tmp_path: Path, postgres: Postgres) -> None:
    from api.cli import main

    with studied(tmp_path, postgres, 2) as house:
        words = ("study", "--queue", "--config", str(house.folder))
        assert main(words) == 0
        assert main((*words, "cellar-00000")) == 0
        assert house.seen().waiting == 2
        assert main(("study", "--join", "cellar-00000", "--config", str(house.folder))) == 2


def test_a_second_of_a_folder_is_a_member_of_its_own(tmp_path: Path, postgres: Postgres) -> None:
    with studied(tmp_path, postgres, 1) as house:
        for _ in range(2):
            house.start()
        wait_until(lambda: house.seen().workers == 2, "two workers", PATIENCE_S)
        assert len({member.name for member in house.ledger.members()}) == 2
        assert subprocess.Popen.poll(house.workers[0]) is None
