"""The daily study: a child adds up the days, says why where it cannot, and the service stays light."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from api.process.services import Services
from api.process.studies import StudyWorker, due_since_ms
from collector.config.site_file import site_toml
from forecaster.domain.longrecord import StudyRecord
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.twin.live import larkspur_site
from tests.engines import wait_until
from tests.scenario import NOW_MS, HeldClock, services

LATER_MS = NOW_MS + 2 * DAY_MS
PATIENCE_S = 120.0


@pytest.fixture
def held(larkspur_folder: Path, tmp_path: Path) -> Iterator[Services]:
    """Larkspur Lane two days after its scenario."""
    goal = tmp_path / "house"
    shutil.copytree(larkspur_folder, goal)
    (goal / "outlast.toml").write_text("", encoding="utf-8")
    (goal / "sites").mkdir(exist_ok=True)
    (goal / "sites" / "larkspur.toml").write_text(site_toml(larkspur_site()), encoding="utf-8")
    made = services(goal, {"larkspur": larkspur_site()}, clock=HeldClock(LATER_MS))
    yield made
    made.close()


def worker(held: Services, **limits: float) -> StudyWorker:
    return StudyWorker(held.installation.folder, held.installation.sites, held.ledger, held.clock, **limits)


def test_a_child_adds_up_the_days_once_a_day(held: Services) -> None:
    studies = worker(held, first_s=0.0, rest_s=0.1)
    assert studies.due() == ["larkspur"]
    studies.start()
    try:
        wait_until(lambda: "larkspur" in held.ledger.studied("days"), "the first study", PATIENCE_S)
        days = held.ledger.days("larkspur", 0, LATER_MS)
        assert len(days) >= 2
        runs = sum(total.count for total in held.ledger.run_totals("larkspur", 0, LATER_MS, DAY_MS))
        assert sum(day.runs for day in days) == runs
        assert studies.due() == []
        assert studies.alive()
    finally:
        studies.stop()
    assert not studies.alive()
    record = held.ledger.study("larkspur", "days")
    assert record is not None
    assert (record.as_of_ms, record.problem) == (LATER_MS // 1000 * 1000, None)


def test_a_child_that_is_not_done_in_time_is_ended_and_the_old_result_stays(held: Services) -> None:
    old = StudyRecord("larkspur", "days", NOW_MS - DAY_MS, NOW_MS - DAY_MS, '{"added": 1}')
    held.ledger.save_study(old)
    studies = worker(held, limit_s=0.0)
    studies.study(studies.due())
    record = held.ledger.study("larkspur", "days")
    assert record is not None
    assert record.document == old.document
    assert record.problem is not None
    assert "not done after 0 s" in record.problem
    assert studies.due() == [], "it is not tried over and over"
    assert [count.value for count in studies.counts()] == [1.0, 1.0]


def test_a_child_that_cannot_begin_leaves_its_own_words(held: Services) -> None:
    (held.installation.folder / "outlast.toml").write_text("[[[", encoding="utf-8")
    studies = worker(held)
    studies.study(studies.due())
    record = held.ledger.study("larkspur", "days")
    assert record is not None
    assert "outlast.toml" in (record.problem or "")


@pytest.mark.parametrize(
    ("now", "since"),
    [
        ("2026-03-03T12:00:00-06:00", "2026-03-03T01:00:00-06:00"),
        ("2026-03-03T00:59:59-06:00", "2026-03-02T01:00:00-06:00"),
        ("2026-03-03T01:00:00-06:00", "2026-03-03T01:00:00-06:00"),
        ("2026-11-01T12:00:00-06:00", "2026-11-01T01:00:00-05:00"),  # the clocks went back at two
    ],
)
def test_a_day_is_due_an_hour_after_its_midnight(now: str, since: str) -> None:
    at, due = (round(datetime.fromisoformat(text).timestamp() * 1000) for text in (now, since))
    assert due_since_ms("America/Chicago", at) == due
    assert at - due < DAY_MS + 2 * HOUR_MS


def test_the_service_has_none_of_the_libraries_of_studies() -> None:
    code = (
        "import sys, api.process.process, api.process.workers, api.process.studies, api.http.app\n"
        "sys.exit(bool({'pandas', 'statsmodels'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], timeout=PATIENCE_S, check=False).returncode == 0
