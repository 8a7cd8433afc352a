"""The daily study: a child adds up the days, says why where it cannot, and the service stays light."""

from __future__ import annotations

from datetime import datetime

import pytest

from api.process.services import Services
from api.process.studies import StudyWorker, due_since_ms
from forecaster.domain.longrecord import StudyRecord
from forecaster.domain.times import DAY_MS, HOUR_MS
from tests.api.studied import LATER_MS
from tests.engines import wait_until
from tests.scenario import NOW_MS

PATIENCE_S = 3000.0  # the child gives way to all others, so on a busy machine it waits


def worker(two_days_later: Services, **limits: float) -> StudyWorker:
    return StudyWorker(
        two_days_later.installation.folder,
        two_days_later.installation.sites,
        two_days_later.ledger,
        two_days_later.clock,
        **limits,
    )


@pytest.mark.slow  # the child works at the lowest priority: on a busy machine for many minutes
@pytest.mark.timeout(3600)
def test_a_child_adds_up_the_days_once_a_day(two_days_later: Services) -> None:
    studies = worker(two_days_later, first_s=0.0, rest_s=0.1)
    assert studies.due() == ["larkspur"]
    studies.start()
    try:
        wait_until(lambda: "larkspur" in two_days_later.ledger.studied("days"), "the first study", PATIENCE_S)
        days = two_days_later.ledger.days("larkspur", 0, LATER_MS)
        assert len(days) >= 2
        runs = sum(total.count for total in two_days_later.ledger.run_totals("larkspur", 0, LATER_MS, DAY_MS))
        assert sum(day.runs for day in days) == runs
        assert studies.due() == []
        assert studies.alive()
    finally:
        studies.stop()
    assert not studies.alive()
    record = two_days_later.ledger.study("larkspur", "days")
    assert record is not None
    assert (record.as_of_ms, record.problem) == (LATER_MS // 1000 * 1000, None)


@pytest.mark.slow
def test_a_child_that_is_not_done_in_time_is_ended_and_the_old_result_stays(two_days_later: Services) -> None:
    old = StudyRecord("larkspur", "days", NOW_MS - DAY_MS, NOW_MS - DAY_MS, '{"added": 1}')
    two_days_later.ledger.save_study(old)
    studies = worker(two_days_later, limit_s=0.0)
    studies.study(studies.due())
    record = two_days_later.ledger.study("larkspur", "days")
    assert record is not None
    assert record.document == old.document
    assert record.problem is not None
    assert "not done after 0 s" in record.problem
    assert studies.due() == [], "it is not tried over and over"
    assert [count.value for count in studies.counts()] == [1.0, 1.0]


@pytest.mark.slow
def test_a_child_that_cannot_begin_leaves_its_own_words(two_days_later: Services) -> None:
    (two_days_later.installation.folder / "outlast.toml").write_text("[[[", encoding="utf-8")
    studies = worker(two_days_later)
    studies.study(studies.due())
    record = two_days_later.ledger.study("larkspur", "days")
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
