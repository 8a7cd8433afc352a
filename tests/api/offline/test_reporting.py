"""The report of a site, from a real ledger and store."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from api.offline.reporting import Accuracy, accuracy, document, report_of, told
from collector.store.open import open_ledger, open_store
from forecaster.discharge import analyse
from forecaster.domain.discharge import DischargeTest, EndReason
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.runs import Outage
from forecaster.domain.times import HOUR_MS
from tests.forecaster.rehearsals import rehearse

START_MS = 1_772_550_000_000


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[tuple[ReadingStore, Ledger]]:
    store, ledger = open_store(f"sqlite:///{tmp_path / 'r.db'}"), open_ledger(f"sqlite:///{tmp_path / 'l.db'}")
    yield store, ledger
    store.close()
    ledger.close()


FAILED = Outage("s", START_MS, START_MS + 20 * HOUR_MS, False, 100, 8, 900, (9.0, 11.0, 14.0), START_MS + 13 * HOUR_MS)


def test_accuracy_an_hour_in() -> None:
    """12 h came where 9 to 14 h were said, the middle at 11: held, off by 8 %."""
    missed = replace(FAILED, reached_reserve_ms=START_MS + 20 * HOUR_MS)
    ended = replace(FAILED, reached_reserve_ms=None, end_ms=START_MS + 5 * HOUR_MS)
    longer = replace(ended, end_ms=START_MS + 30 * HOUR_MS)
    rehearsed = replace(FAILED, rehearsal=True)
    short = replace(ended, end_ms=START_MS + HOUR_MS // 2)
    found = accuracy([FAILED, missed, ended, longer, rehearsed, short])
    assert (found.reached, found.held, found.censored, found.contradicted) == (2, 1, 2, 1)
    assert accuracy([FAILED]).median_error == pytest.approx(1 / 12)
    assert accuracy([]) == Accuracy(0, 0, None, 0, 0)


def test_a_whole_report(stores: tuple[ReadingStore, Ledger]) -> None:
    store, ledger = stores
    rehearsal = rehearse(4, 0.3)
    site = rehearsal.evidence.site
    ledger.record([replace(FAILED, site=site.id), *rehearsal.evidence.runs])
    moved = [replace(r, start_ms=START_MS + r.start_ms, stop_ms=START_MS + r.stop_ms) for r in rehearsal.evidence.runs]
    ledger.record(moved)
    result = analyse(rehearsal.evidence)
    by_hand = EndReason.BY_HAND
    ledger.save_test(
        DischargeTest("t", site.id, START_MS, "owner", None, None, START_MS + 5 * HOUR_MS, by_hand, result)
    )
    report = report_of(store, ledger, site, START_MS - 1, START_MS + 100 * HOUR_MS)
    assert report.health.runs == len(moved)
    text = told(report)
    assert result.verdict in text
    assert "reached the reserve floor" in text
    assert "1 of 1 outages ended inside" in text
    assert "due by" in text
    assert "owner" not in text
    found = json.loads(msgspec.json.encode(document(report)))
    assert found["discharge_tests"][0]["started_by"] is None
    assert found["site"] == site.id
    assert found["pump"]["runs"] == len(moved)
    assert found["forecast_accuracy"]["held"] == 1
    assert found["discharge_tests"][0]["result"]["verdict"] == result.verdict


def test_an_empty_report_says_so(stores: tuple[ReadingStore, Ledger]) -> None:
    site = rehearse(4, 0.3).evidence.site
    text = told(report_of(*stores, site, 0, START_MS))
    for line in ("Outages: none.", "none yet", "no run was seen", "no outage was long enough"):
        assert line in text
